package analytics

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"lensledger/projections/measure"
)

// Published values; the source stands in the file.
func TestRisksPublished(t *testing.T) {
	text, err := os.ReadFile("testdata/risks.json")
	if err != nil {
		t.Fatal(err)
	}
	var table struct {
		Rows []struct {
			Name      string
			Request   json.RawMessage
			Composite float64 `json:"composite_odds_ratio"`
			Risk      float64
		}
	}
	if err := json.Unmarshal(text, &table); err != nil {
		t.Fatal(err)
	}
	a := calculators(t)
	for _, row := range table.Rows {
		got := a.call(t, "integrator", "POST", "/v1/risks", string(row.Request))
		var risk measure.Risk
		got.into(t, &risk)
		// The table has four decimals of the large ones, six digits of a risk.
		if got.status != 200 || math.Abs(risk.CompositeOddsRatio-row.Composite) > 5e-5*math.Max(1, row.Composite/20) {
			t.Errorf("%s: %d, composite odds ratio %v, want %v", row.Name, got.status, risk.CompositeOddsRatio, row.Composite)
		}
		if row.Risk != 0 && math.Abs(risk.Probability-row.Risk) > math.Max(5.1e-7, row.Risk*6e-5) {
			t.Errorf("%s: risk %v, want %v", row.Name, risk.Probability, row.Risk)
		}
		if risk.Model != "capsule-rupture-2009" || risk.Version != "2009" {
			t.Errorf("%s: model %s %s", row.Name, risk.Model, risk.Version)
		}
	}
	if len(table.Rows) < 40 {
		t.Errorf("%d rows", len(table.Rows))
	}
}

// The recalibrated version moves the intercept alone: its risk at the reference
// patient is what logit(0.00736) + logit(9730/961208) - logit(0.0192) comes to.
func TestRisksRecalibrated(t *testing.T) {
	got := calculators(t).call(t, "quality", "POST", "/v1/risks",
		`{"version":"2009-recalibrated-2016-2022","age_years":75,"sex":"male"}`)
	var risk measure.Risk
	got.into(t, &risk)
	logit := func(p float64) float64 { return math.Log(p / (1 - p)) }
	x := logit(0.00736) + logit(9730.0/961208) - logit(0.0192) + math.Log(1.42*1.28)
	if want := 1 / (1 + math.Exp(-x)); math.Abs(risk.Probability-want) > 1e-12 || math.Abs(risk.CompositeOddsRatio-1.8176) > 1e-12 {
		t.Errorf("%+v, want %v", risk, want)
	}
	if want := "diabetic_retinopathy"; !strings.Contains(strings.Join(risk.Unknown, " "), want) || strings.Contains(strings.Join(risk.Unknown, " "), "sex") {
		t.Errorf("unknown: %v", risk.Unknown)
	}
}

func TestCalculatorsRefuse(t *testing.T) {
	a := calculators(t)
	for _, c := range []struct {
		path, body    string
		status        int
		pointer, code string
		detail        string
	}{
		{"/v1/risks", `{"acuity":[]}`, 400, "/acuity", "unknown-field", "allowed model, version, age_years"},
		{"/v1/risks", `{"AGE_YEARS":75}`, 400, "/AGE_YEARS", "unknown-field", ""},
		{"/v1/risks", `{"a/b~c":1}`, 400, "/a~1b~0c", "unknown-field", ""},
		{"/v1/risks", `{"sex":"male","sex":"female"}`, 400, "/sex", "not-allowed", "twice"},
		{"/v1/risks", `{"age_years":"75"}`, 400, "/age_years", "wrong-type", "found text, allowed a whole number"},
		{"/v1/risks", `{"age_years":75.5}`, 400, "/age_years", "wrong-type", "found 75.5, allowed a whole number"},
		{"/v1/risks", `{"glaucoma":"yes"}`, 400, "/glaucoma", "wrong-type", "allowed true or false"},
		{"/v1/risks", `{"age_years":116}`, 422, "/age_years", "out-of-range", "found 116, allowed 0 to 115"},
		{"/v1/risks", `{"axial_length_um":25}`, 422, "/axial_length_um", "out-of-range", "14000 to 40000"},
		{"/v1/risks", `{"pupil":"tiny"}`, 422, "/pupil", "out-of-range", `"large" "medium" "small"`},
		{"/v1/risks", `{"pupil":""}`, 422, "/pupil", "not-allowed", "empty text"},
		{"/v1/risks", `{"model":"other"}`, 422, "/model", "not-allowed", "capsule-rupture-2009"},
		{"/v1/risks", `{"version":"2010"}`, 422, "/version", "not-allowed", "2009, 2009-recalibrated"},
		{"/v1/risks", `[]`, 400, "", "wrong-type", "found a list, allowed an object"},
		{"/v1/designs", `{"acceptable":0.02,"odds_ratio":2,"h":3}`, 400, "/h", "unknown-field", ""},
		{"/v1/designs", `{"acceptable":0,"odds_ratio":2,"threshold":3}`, 422, "/acceptable", "out-of-range", "more than 0"},
		{"/v1/designs", `{"acceptable":1.5,"odds_ratio":2,"threshold":3}`, 422, "/acceptable", "out-of-range", "more than 0 and less than 1"},
		{"/v1/designs", `{"acceptable":0.02,"threshold":3}`, 422, "/odds_ratio", "out-of-range", "one of odds_ratio and unacceptable"},
		{"/v1/designs", `{"acceptable":0.02,"unacceptable":0.01,"threshold":3}`, 422, "/unacceptable", "out-of-range", "more than acceptable"},
		{"/v1/designs", `{"acceptable":0.02,"odds_ratio":2}`, 422, "/threshold", "out-of-range", "one of threshold, false_alarm_chance"},
		{"/v1/designs", `{"acceptable":0.02,"odds_ratio":2,"threshold":21}`, 422, "/threshold", "out-of-range", "at most 20"},
		{"/v1/designs", `{"acceptable":0.02,"odds_ratio":2,"false_alarm_chance":0.05}`, 422, "/within_cases", "out-of-range", "1 to 10000"},
		{"/v1/designs", `{"kind":"both","acceptable":0.02,"odds_ratio":2,"threshold":3}`, 422, "/kind", "out-of-range", "detection or competence"},
		{"/v1/designs", `{"case_mix":[],"odds_ratio":2,"threshold":3}`, 422, "/case_mix", "out-of-range", "at least one"},
		{"/v1/designs", `{"case_mix":[{"risk":0.01,"share":0.5}],"odds_ratio":2,"threshold":3}`, 422, "/case_mix", "out-of-range", "sum of shares"},
		{"/v1/designs", `{"case_mix":[{"risk":0.01,"shares":1}],"odds_ratio":2,"threshold":3}`, 400, "/case_mix/0/shares", "unknown-field", "risk, share"},
		{"/v1/designs", `{"case_mix":{"risk":0.01},"odds_ratio":2,"threshold":3}`, 400, "/case_mix", "wrong-type", "a list of objects"},
	} {
		kind := map[int]string{400: "invalid", 422: "refused"}[c.status]
		p := a.call(t, "trainee", "POST", c.path, c.body).problem(t, c.status, kind)
		if len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer || p.Errors[0].Code != c.code || !strings.Contains(p.Errors[0].Detail, c.detail) {
			t.Errorf("%s: %+v", c.body, p.Errors)
		}
	}
	a.call(t, "trainee", "POST", "/v1/risks", `{"age_years":`).problem(t, 400, "invalid")
	a.call(t, "trainee", "POST", "/v1/risks", "{}", "Content-Type", "text/plain").problem(t, 415, "unsupported")
	a.call(t, "", "POST", "/v1/risks", "{}").problem(t, 401, "unauthenticated")
}

// table reads a CSV file with a header row.
func table(t testing.TB, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func decimal(t testing.TB, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// Every exact run length of testdata/reference (computed in R by an exact
// recursion, see its README) comes through the API within 1e-9, relative.
func TestDesignsExact(t *testing.T) {
	a := calculators(t)
	known := map[string]measure.Design{}
	ask := func(row map[string]string) measure.Design {
		body := fmt.Sprintf(`{"acceptable":%s,"odds_ratio":%s,"threshold":%s}`, row["p0"], row["odds_ratio"], row["h"])
		if d, ok := known[body]; ok {
			return d
		}
		got := a.call(t, "quality", "POST", "/v1/designs", body)
		var d measure.Design
		if got.into(t, &d); got.status != 200 {
			t.Fatalf("%s: %s", body, got.body)
		}
		known[body] = d
		return d
	}
	compared := 0
	lengths := func(row map[string]string) (measure.RunLength, bool) {
		switch row["true"] {
		case "p0":
			return ask(row).InControl, true
		case "p1":
			return ask(row).OutOfControl, true
		}
		return measure.RunLength{}, false
	}
	for _, row := range table(t, "../../testdata/reference/bernoulli_cusum_arl.csv") {
		got, ok := lengths(row)
		if !ok {
			continue
		}
		compared++
		if want := decimal(t, row["arl_exact"]); math.Abs(got.AverageRunLength/want-1) > 1e-9 {
			t.Errorf("p0 %s, odds ratio %s, threshold %s, %s: %v, want %v", row["p0"], row["odds_ratio"], row["h"], row["true"], got.AverageRunLength, want)
		}
		if d := ask(row); math.Abs(d.Scores.Event-decimal(t, row["w_fail"])) > 1e-12 || math.Abs(d.Scores.NoEvent-decimal(t, row["w_succ"])) > 1e-12 {
			t.Errorf("scores %+v, want %s %s", d.Scores, row["w_fail"], row["w_succ"])
		}
	}
	if compared < 150 {
		t.Errorf("only %d run lengths compared", compared)
	}
	compared = 0
	for _, row := range table(t, "../../testdata/reference/bernoulli_cusum_runlength_cdf.csv") {
		got, ok := lengths(row)
		if !ok {
			continue
		}
		for _, w := range got.AlarmWithin {
			if strconv.Itoa(w.Cases) == row["n"] {
				compared++
				if want := decimal(t, row["cdf_exact"]); math.Abs(w.Chance-want) > 1e-10 {
					t.Errorf("p0 %s, odds ratio %s, threshold %s, %s, n %s: %v, want %v", row["p0"], row["odds_ratio"], row["h"], row["true"], row["n"], w.Chance, want)
				}
			}
		}
	}
	if compared < 20 {
		t.Errorf("only %d chances compared", compared)
	}
}

// A threshold that is searched for keeps what was asked, and one step less
// doesn't.
func TestDesignsSearch(t *testing.T) {
	a := calculators(t)
	ask := func(body string) (d measure.Design) {
		a.call(t, "trainer", "POST", "/v1/designs", body).into(t, &d)
		return d
	}
	d := ask(`{"acceptable":0.01,"odds_ratio":2,"false_alarm_chance":0.05,"within_cases":300}`)
	chance := func(d measure.Design) float64 {
		for _, w := range d.InControl.AlarmWithin {
			if w.Cases == 300 {
				return w.Chance
			}
		}
		t.Fatal("300 cases aren't stated")
		return 0
	}
	// About 2.4, by exact run lengths.
	if math.Abs(d.Threshold-2.4) > 0.05 || chance(d) > 0.05 {
		t.Errorf("threshold %v, chance %v", d.Threshold, chance(d))
	}
	if less := ask(fmt.Sprintf(`{"acceptable":0.01,"odds_ratio":2,"threshold":%.4f}`, d.Threshold-0.0001)); chance(less) <= 0.05 {
		t.Errorf("a lower threshold would do: %v", chance(less))
	}
	mix := ask(`{"case_mix":[{"risk":0.005,"share":0.7},{"risk":0.03,"share":0.3}],"odds_ratio":2,"run_length":2000}`)
	if mix.InControl.AverageRunLength < 2000 || mix.InControl.AverageRunLength > 2200 || mix.RelativeError <= 0 {
		t.Errorf("%+v", mix)
	}
}
