package analytics

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"

	"lensledger/events"
	"lensledger/projections/department"
)

func init() { openapi3filter.RegisterBodyDecoder(mediaCSV, openapi3filter.PlainBodyDecoder) }

// eyePath is one eye from booking to settled refraction. The prediction is -0.25 D
// for the implant, off hundredths of a dioptre from what is achieved; induced is
// the astigmatism in hundredths that the operation adds at 90 degrees.
func eyePath(unit, code string, n, off, induced int, ruptured bool) []events.Event {
	at := day(2+n, 8, 0)
	of := func(id string, days int, kind events.Type, data any) events.Event {
		return eventOf(unit, code+"-"+id, code, at.AddDate(0, 0, days), kind, data)
	}
	seen := func(hundredths int) []events.Acuity {
		return []events.Acuity{{Correction: "corrected", LogMARHundredths: events.Some(int64(hundredths))}}
	}
	k := func(cylinder int) events.Keratometry {
		return events.Keratometry{K1D: 4300, K1AxisDeg: events.Some[int64](0), K2D: events.Hundredths(4300 + cylinder), K2AxisDeg: events.Some[int64](90)}
	}
	before := k(50)
	es := []events.Event{
		of("booked", -40, events.TypeCaseBooked, &events.CaseBooked{Patient: events.Code("P-" + code), Eye: events.EyeRight, FirstOrSecondEye: "first"}),
		of("assessed", -30, events.TypePreopAssessed, &events.PreopAssessed{Acuity: seen(50), Keratometry: &before}),
		of("planned", -20, events.TypeLensPlanned, &events.LensPlanned{Formula: "INVENTED", Constant: events.Some(events.Millionths(118_700_000)), TargetRefractionD: events.Some(events.Hundredths(-25)),
			Candidates: []events.LensCandidate{{LensModel: "INVENTED-1", PowerD: 2100, PredictedRefractionD: events.Some(events.Hundredths(-25))}}}),
		of("lens", 0, events.TypeLensImplanted, &events.LensImplanted{LensModel: "INVENTED-1", PowerD: events.Some(events.Hundredths(2100)), Site: "bag"}),
		of("acuity", 35, events.TypeFollowupAcuity, &events.FollowupAcuity{Acuity: seen(0)}),
		of("refraction", 35, events.TypeFollowupRefraction, &events.FollowupRefraction{Refraction: events.Refraction{SphereD: events.Hundredths(-25 + off), Method: "subjective"}}),
		of("keratometry", 35, events.TypeFollowupKeratometry, &events.FollowupKeratometry{Keratometry: k(50 + induced)}),
	}
	return append(es, operation(unit, code, fmt.Sprintf("S-3%02d", n%2), at, ruptured)...)
}

// figureScenario: PUBLISHED has Newcombe's 15 in 148 in 2025 (Stat Med
// 1998;17:857-872), HARBOUR 60 operations with whole paths, 3 of them ruptured, and
// a few things that are missing; INLAND is somebody else's.
func figureScenario() []events.Event {
	var es []events.Event
	for i := range 148 {
		es = append(es, operation("PUBLISHED", fmt.Sprintf("NW-%03d", i), fmt.Sprintf("S-14%d", i%2), day(1+i, 9, 0), i < 15)...)
	}
	for i := range 60 {
		// 55 in 100 within 0.50 D and 85 in 100 within 1.00 D: Gale RP et al. Eye
		// 2009;23:149-152, of 60 eyes.
		off := 25
		if i >= 33 {
			off = 75
		}
		if i >= 51 {
			off = 125
		}
		es = append(es, eyePath("HARBOUR", fmt.Sprintf("HB-%03d", i), i, off, 10+i%7*5, i >= 57)...)
	}
	of := func(id, code string, at time.Time, kind events.Type, data any) events.Event {
		return eventOf("HARBOUR", id, code, at, kind, data)
	}
	infected := func(code string, at time.Time) events.Event {
		return of(code+"-infected", code, at, events.TypeFollowupFinding, &events.FollowupFinding{Kind: "endophthalmitis"})
	}
	es = append(es,
		infected("HB-010", day(20, 9, 0)), infected("HB-020", day(40, 9, 0)),
		// Booked and never heard of again; one that was cancelled; one that began and has no end.
		of("gone", "HB-800", day(1, 9, 0), events.TypeCaseBooked, &events.CaseBooked{Patient: "P-800", Eye: events.EyeLeft, PlannedOn: "2025-01-20"}),
		of("off", "HB-801", day(1, 9, 0), events.TypeCaseBooked, &events.CaseBooked{Patient: "P-801", Eye: events.EyeLeft, PlannedOn: "2025-01-20"}),
		of("off-2", "HB-801", day(19, 9, 0), events.TypeCaseCancelled, &events.CaseCancelled{Stage: "before-theatre", Reason: "patient"}),
		of("open", "HB-802", day(21, 9, 0), events.TypeCaseStarted, &events.CaseStarted{FirstOperator: "S-300"}),
		// A second operation on an eye on record.
		of("again", "HB-803", day(50, 7, 0), events.TypeCaseBooked, &events.CaseBooked{Patient: "P-HB-000", Eye: events.EyeRight}),
	)
	es = append(es, operation("HARBOUR", "HB-803", "S-300", day(52, 8, 0), false)...)
	for i := range 12 {
		es = append(es, operation("INLAND", fmt.Sprintf("IN-%03d", i), "S-200", day(1+i, 9, 0), i < 2)...)
	}
	return es
}

func TestFigures(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, figureScenario()...)
	t.Run("figures", r.testFigures)
	t.Run("as CSV", r.testFiguresCSV)
	t.Run("funnels", r.testFunnels)
	t.Run("a department's questions", r.testDepartmentQuestions)
	t.Run("as of", r.testFiguresAsOf)
}

const figureYear = "from=2025-01&to=2025-12"

func (r *registry) figures(t *testing.T, who, query string) (department.Figures, answer) {
	t.Helper()
	a := r.call(t, who, "GET", "/v1/figures?"+query, "")
	if a.status != 200 {
		t.Fatalf("%d %s", a.status, a.body)
	}
	var f department.Figures
	a.into(t, &f)
	return f, a
}

func value(n *int) string {
	if n == nil {
		return "-"
	}
	return fmt.Sprint(*n)
}

func (r *registry) testFigures(t *testing.T) {
	own, _ := r.figures(t, "quality", figureYear)
	left, a := r.figures(t, "auditor", figureYear)
	if len(own.Rows) != 2 || own.Suppression.Applied || len(own.Suppressed) != 0 || !left.Suppression.Applied {
		t.Fatalf("%+v %+v", own.Suppression, own.Suppressed)
	}
	for _, c := range []struct {
		figures department.Figures
		want    string
	}{
		// 3 ruptures of HARBOUR are few; the total would give them away by
		// subtraction, and there is nothing else to hide them in but the 15.
		{own, "HARBOUR 61 3 endophthalmitis 2 excluded 1, PUBLISHED 148 15 endophthalmitis 0 excluded 0, * 209 18 endophthalmitis 2 excluded 1, "},
		{left, "HARBOUR 61 - endophthalmitis - excluded -, PUBLISHED 148 - endophthalmitis 0 excluded 0, * 209 18 endophthalmitis - excluded -, "},
	} {
		got := ""
		for _, row := range append(slices.Clone(c.figures.Rows), c.figures.Total) {
			got += row.Department + " " + value(row.Operations) + " " + value(row.CapsuleRupture.Events) + " endophthalmitis " +
				value(row.Complications.Endophthalmitis.Events) + " excluded " + value(row.Excluded["not-finished"]) + ", "
		}
		if got != c.want {
			t.Errorf("%s\nwant %s", got, c.want)
		}
	}
	// Gale's shares, counted.
	v := own.Rows[0].Refraction
	if value(v.N) != "57" || value(v.Within050.Count) != "33" || value(v.Within100.Count) != "51" {
		t.Errorf("refraction: %s %s %s", value(v.N), value(v.Within050.Count), value(v.Within100.Count))
	}
	if f := left.Rows[1].CapsuleRupture; f.Rate != nil || f.Interval != nil || f.AdjustedRate != nil || f.Expected == nil {
		t.Errorf("a hidden count beside its rate: %+v", f)
	}
	if f := own.Rows[1].CapsuleRupture; f.Interval == nil || fmt.Sprintf("%.4f %.4f", f.Interval.Lower, f.Interval.Upper) != "0.0624 0.1605" {
		t.Errorf("%+v", f)
	}
	sum := sha256.Sum256([]byte(a.body))
	if want := "sha-256=:" + base64.StdEncoding.EncodeToString(sum[:]) + ":"; a.header.Get("Repr-Digest") != want {
		t.Errorf("digest %q, want %q", a.header.Get("Repr-Digest"), want)
	}
	if again := r.call(t, "auditor", "GET", "/v1/figures?"+figureYear, "", "If-None-Match", a.header.Get("ETag")); again.status != 304 {
		t.Errorf("asked again: %d", again.status)
	}
	for query, pointer := range map[string]string{
		"from=2025-01-02&to=2025-12": "?from", "from=2025-01&to=2025-12-30": "?from", "from=2025-01": "?to",
		figureYear + "&by=surgeon": "?by", figureYear + "&view=first-operator": "?",
	} {
		if p := r.call(t, "auditor", "GET", "/v1/figures?"+query, "").problem(t, 400, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", query, p.Errors)
		}
	}
}

func (r *registry) testFiguresCSV(t *testing.T) {
	a := r.call(t, "auditor", "GET", "/v1/figures?"+figureYear, "", "Accept", "application/json;q=0.5, text/csv")
	if a.status != 200 || !strings.HasPrefix(a.header.Get("Content-Type"), "text/csv") || !strings.Contains(a.body, "\r\n") {
		t.Fatalf("%d %v", a.status, a.header)
	}
	lines, err := csv.NewReader(strings.NewReader(a.body)).ReadAll()
	if err != nil || len(lines) != 4 || !slices.Equal(lines[0], department.FigureColumns) {
		t.Fatalf("%v %q", err, lines)
	}
	at := func(line int, column string) string { return lines[line][slices.Index(lines[0], column)] }
	if at(1, "department") != "HARBOUR" || at(1, "capsule_rupture_count") != "" || at(1, "operations") != "61" ||
		!strings.Contains(at(1, "suppressed"), "capsule_rupture.events") || at(3, "department") != "*" || at(3, "capsule_rupture_count") != "18" {
		t.Errorf("%q", lines[1:])
	}
	if r.call(t, "auditor", "GET", "/v1/figures?"+figureYear, "").header.Get("ETag") == a.header.Get("ETag") {
		t.Error("two forms share a tag")
	}
	columns := strings.Join(department.FigureColumns, ", ") + "."
	if text := strings.Join(strings.Fields(contract(t).Paths.Value("/v1/figures").Get.Description), " "); !strings.Contains(text, columns) {
		t.Errorf("the contract doesn't list the columns %s", columns)
	}
	for header, want := range map[string]string{"": mediaJSON, "*/*": mediaJSON, "text/csv": mediaCSV, "text/*": mediaCSV, "text/csv;q=0": mediaJSON,
		"application/json;q=0.1, text/*;q=0.2": mediaCSV, "image/png": mediaJSON, "text/csv;q=x": mediaJSON, "*/*, text/csv;q=0.1": mediaJSON} {
		if got := accepted(header, mediaJSON, mediaCSV); got != want {
			t.Errorf("%q: %s", header, got)
		}
	}
}

func (r *registry) testFunnels(t *testing.T) {
	ask := func(who, path string) (f department.Funnel) {
		t.Helper()
		a := r.call(t, who, "GET", "/v1/funnels/"+path, "")
		if a.status != 200 {
			t.Fatalf("%s: %d %s", path, a.status, a.body)
		}
		a.into(t, &f)
		return f
	}
	f := ask("quality", "capsule-rupture?by=surgeon&department=PUBLISHED&"+figureYear)
	if f.Limits == nil || len(f.Limits.Points) != 2 || f.Limits.Points[0].Code != "S-140" || f.Limits.Points[0].Events != 8 || f.Limits.Points[1].Events != 7 ||
		f.View != department.ViewFirstOperator || f.TargetRule != department.TargetExpected || len(f.Adjusted) != 2 || f.Adjusted[0].ChanceAtLeast == nil {
		t.Fatalf("%+v", f)
	}
	if f := ask("quality", "capsule-rupture?by=department&"+figureYear); f.Limits == nil || len(f.Limits.Points) != 2 || f.Limits.Points[0].Code != "HARBOUR" ||
		f.Limits.Points[0].Events != 3 || len(f.Suppressed) != 0 {
		t.Errorf("%+v", f)
	}
	if f := ask("auditor", "capsule-rupture?by=department&"+figureYear); f.Limits != nil || f.Why == "" || !slices.Equal(f.Suppressed, []string{"HARBOUR", "PUBLISHED"}) {
		t.Errorf("an auditor's: %+v", f)
	}
	if f := ask("quality", "refraction-miss?"+figureYear); f.Limits == nil || len(f.Limits.Points) != 1 || f.Limits.Points[0].Events != 6 || f.Limits.Points[0].N != 57 ||
		f.TargetRule != department.TargetPooled {
		t.Errorf("%+v", f)
	}
	if f := ask("quality", "visual-loss?"+figureYear); f.Limits != nil || f.Why == "" || value(f.N) != "60" {
		t.Errorf("no event, so no line: %+v", f)
	}
	for _, view := range []string{department.ViewResponsible, department.ViewFirstOperator} {
		if f := ask("quality", "unplanned-takeover?by=surgeon&view="+view+"&"+figureYear); f.View != view {
			t.Errorf("%+v", f)
		}
	}
	r.call(t, "auditor", "GET", "/v1/funnels/capsule-rupture?by=surgeon&"+figureYear, "").problem(t, 403, "forbidden")
	r.call(t, "quality", "GET", "/v1/funnels/ranking?"+figureYear, "").problem(t, 404, "not-found")
	r.call(t, "quality", "GET", "/v1/funnels/capsule-rupture?department=INLAND&"+figureYear, "").problem(t, 404, "not-found")
	r.call(t, "quality", "GET", "/v1/funnels/refraction-miss?by=surgeon&"+figureYear, "").problem(t, 400, "invalid")
	r.call(t, "quality", "GET", "/v1/funnels/capsule-rupture?view=first-operator&"+figureYear, "").problem(t, 400, "invalid")
	r.call(t, "quality", "GET", "/v1/funnels/capsule-rupture?by=surgeon&view=operator-at-cause&"+figureYear, "").problem(t, 400, "invalid")
	r.call(t, "auditor", "GET", "/v1/funnels/capsule-rupture?from=2025-01-02&to=2025-12", "").problem(t, 400, "invalid")
}

func (r *registry) testDepartmentQuestions(t *testing.T) {
	ask := func(who, code, what string, into any) {
		t.Helper()
		a := r.call(t, who, "GET", "/v1/departments/"+code+"/"+what, "")
		if a.status != 200 {
			t.Fatalf("%s: %d %s", what, a.status, a.body)
		}
		a.into(t, into)
	}
	var lenses department.LensAdvice
	ask("trainer", "HARBOUR", "lens-constants?"+figureYear, &lenses)
	// 33 at 0.25, 18 at 0.75 and 6 at 1.25 D of 57 uncomplicated eyes: their mean is 29.25 / 57.
	if len(lenses.Groups) != 1 || lenses.N != 57 || lenses.Groups[0].Check == nil || fmt.Sprintf("%.4f", lenses.Groups[0].Check.Shift) != "-0.5132" {
		t.Errorf("%+v", lenses)
	}
	var sia department.Astigmatism
	ask("trainer", "HARBOUR", "astigmatism?"+figureYear, &sia)
	// What is added at 90 degrees lies at -x; 10 to 40 hundredths in turn, 60 eyes.
	if sia.Department != "HARBOUR" || sia.Settled.N != 60 || len(sia.Settled.Points) != 60 || sia.Settled.Centroid.Mean.X >= 0 || sia.Early.N != 0 ||
		sia.Settled.Centroid.MeanAmount < 0.2 || sia.Settled.Centroid.MeanAmount > 0.3 {
		t.Errorf("%+v %+v", sia.Settled.Centroid, sia.Early)
	}
	var infections department.Infections
	ask("quality", "HARBOUR", "endophthalmitis?"+figureYear, &infections)
	if infections.N != 2 || len(infections.Notices) != 1 || !slices.Equal(infections.Notices[0].Cases, []string{"HB-010", "HB-020"}) {
		t.Errorf("%+v", infections)
	}
	var model department.RiskModelCheck
	ask("quality", "PUBLISHED", "risk-model?"+figureYear, &model)
	if model.Events != 15 || model.N != 148 || model.NoProposal == nil || model.NoProposal.Events != 15 || model.NoProposal.Needed != 100 || model.Proposal != nil {
		t.Errorf("%+v", model)
	}
	var lack department.Reconciliation
	ask("quality", "HARBOUR", "completeness?"+figureYear+"&theatre_operations=64", &lack)
	if lack.Recorded != 62 || lack.Theatre == nil || lack.Theatre.Difference != 2 || len(lack.NotStarted) != 1 || lack.NotStarted[0] != (department.OpenCase{Case: "HB-800", On: "2025-01-20"}) ||
		len(lack.NotEnded) != 1 || lack.NotEnded[0].Case != "HB-802" || len(lack.Checks) != 1 || lack.Checks[0].Code != "same-eye-twice" {
		t.Errorf("%+v", lack)
	}
	if m := lack.FollowUp.AcuityAfter; lack.FollowUp.N != 61 || m.Known != 60 || m.Missing != 1 || m.Closed["open"] != 1 || lack.FollowUp.Refraction.Known+lack.FollowUp.Refraction.Missing != 61 {
		t.Errorf("%+v", lack.FollowUp)
	}
	var compared department.ComparedRuptures
	ask("trainer", "HARBOUR", "comparison?from=2025-01&to=2025-01&with_from=2025-02&with_to=2025-03", &compared)
	// 0 of 30 against 3 of 31.
	if c := compared.Comparison; c == nil || c.First.N != 30 || c.Second.N != 31 || c.First.Events != 0 || c.Second.Events != 3 || c.Difference >= 0 || c.Ratio == nil || c.Ratio.Ratio != 0 {
		t.Errorf("%+v", compared)
	}
	for what, pointer := range map[string]string{
		"comparison?from=2025-01&to=2025-02&with_from=2025-02&with_to=2025-03": "?with_from",
		"comparison?from=2025-01&to=2025-02&with_to=2025-03":                   "?with_from",
		"completeness?" + figureYear + "&theatre_operations=many":              "?theatre_operations",
		"lens-constants?from=2025-01":                                          "?to",
		"risk-model?" + figureYear + "&model=mine":                             "?",
	} {
		p := r.call(t, "quality", "GET", "/v1/departments/HARBOUR/"+what, "").problem(t, 400, "invalid")
		if len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", what, p.Errors)
		}
	}
	for _, what := range []string{"completeness", "lens-constants", "astigmatism", "endophthalmitis", "risk-model", "comparison"} {
		r.call(t, "auditor", "GET", "/v1/departments/HARBOUR/"+what+"?"+figureYear, "").problem(t, 403, "forbidden")
		r.call(t, "quality", "GET", "/v1/departments/INLAND/"+what+"?"+figureYear, "").problem(t, 404, "not-found")
	}
}

// testFiguresAsOf: what was released once can be had again to the byte.
func (r *registry) testFiguresAsOf(t *testing.T) {
	paths := []string{"/v1/figures?" + figureYear, "/v1/funnels/capsule-rupture?by=surgeon&" + figureYear, "/v1/funnels/refraction-miss?" + figureYear}
	for _, what := range []string{"completeness", "lens-constants", "astigmatism", "endophthalmitis", "risk-model"} {
		paths = append(paths, "/v1/departments/HARBOUR/"+what+"?"+figureYear)
	}
	remembered := map[string]answer{}
	for _, path := range paths {
		remembered[path] = r.call(t, "quality", "GET", path, "")
	}
	released, _ := r.figures(t, "quality", figureYear)
	es := append(eyePath("HARBOUR", "HB-900", 58, 300, 90, true), retraction("HB-010", "HB-010-infected"),
		eventOf("HARBOUR", "late-off", "HB-800", day(300, 9, 0), events.TypeCaseCancelled, &events.CaseCancelled{Stage: "before-theatre", Reason: "patient"}))
	r.publish(t, es...)
	for _, path := range paths {
		if now := r.call(t, "quality", "GET", path, ""); now.body == remembered[path].body {
			t.Errorf("%s: nothing has changed", path)
		}
		then := r.call(t, "quality", "GET", path+"&as_of="+whole(released.AsOf.Position), "")
		if then.body != remembered[path].body {
			t.Errorf("%s:\n%s\nremembered\n%s", path, then.body, remembered[path].body)
		}
	}
}
