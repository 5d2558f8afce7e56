package analytics

import (
	"encoding/json"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"lensledger/projections/department"
)

func near(got *float64, want, tolerance float64) bool {
	return got != nil && math.Abs(*got-want) <= tolerance
}

// readBenchmarks reads an answer as a client would.
func readBenchmarks(t *testing.T, a answer) (b struct {
	department.Benchmarks
	Words     string
	View      string
	BySurgeon []struct {
		Surgeon string
		Events  int
		N       int
		Rate    *float64
	} `json:"by_surgeon"`
}) {
	t.Helper()
	if a.status != 200 {
		t.Fatalf("%d %s", a.status, a.body)
	}
	a.into(t, &b)
	return b
}

func (r *registry) testBenchmarks(t *testing.T) {
	// Newcombe RG. Stat Med 1998;17:857-872, table I, 15 of 148, Wilson.
	b := readBenchmarks(t, r.call(t, "auditor", "GET", "/v1/departments/PUBLISHED/benchmarks?from=2025-01&to=2025-12", ""))
	f := b.CapsuleRupture
	if b.Operations != 148 || f.Events != 15 || f.N != 148 || !near(f.Rate, 15.0/148, 1e-12) || f.Interval == nil ||
		math.Abs(f.Interval.Lower-0.0624) > 5e-5 || math.Abs(f.Interval.Upper-0.1605) > 5e-5 {
		t.Errorf("%+v", f)
	}
	if b.Words != "15 of 148 (10.1 %, 95 % CI 6.2 to 16.0)" {
		t.Errorf("words: %s", b.Words)
	}
	if b.AsOf.Position == 0 || b.AsOf.RecordedAt.IsZero() || b.Definition != department.Definition || b.From != "2025-01-01" || b.To != "2025-12-31" {
		t.Errorf("%+v", b.Benchmarks)
	}
	// Odd days are summed another way, to the same numbers.
	b = readBenchmarks(t, r.call(t, "quality", "GET", "/v1/departments/PUBLISHED/benchmarks?from=2025-01-01&to=2025-05-28", ""))
	if b.Operations != 148 || b.CapsuleRupture.Events != 15 {
		t.Errorf("%+v", b.CapsuleRupture)
	}
	// Under 25 operations: counts alone. Days 1 to 12 of January.
	b = readBenchmarks(t, r.call(t, "trainer", "GET", "/v1/departments/HARBOUR/benchmarks?from=2025-01-01&to=2025-01-12", ""))
	if b.Operations != 12 || b.CapsuleRupture.Events != 5 || b.CapsuleRupture.Rate != nil || b.Words != "5 of 12 (too few cases for a rate)" {
		t.Errorf("%+v %s", b.CapsuleRupture, b.Words)
	}

	// Three views of whose a rupture is. In the full case S-014 began and is at
	// cause, S-001 answers for it.
	for view, want := range map[string]string{
		"responsible-consultant": `S-001:6/32`,
		"first-operator":         `S-014:6/31 S-200:0/1`,
		"operator-at-cause":      `S-014:6/31 S-200:0/1`,
	} {
		b := readBenchmarks(t, r.call(t, "quality", "GET", "/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-03&view="+view, ""))
		var got []string
		for _, s := range b.BySurgeon {
			got = append(got, s.Surgeon+":"+ratio(s.Events, s.N))
		}
		if strings.Join(got, " ") != want || b.View != view {
			t.Errorf("%s: %v, want %s", view, got, want)
		}
	}
	for _, who := range []string{"auditor", "trainer"} {
		r.call(t, who, "GET", "/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-03&view=first-operator", "").problem(t, 403, "forbidden")
	}

	for query, pointer := range map[string]string{
		"to=2025-01":                                        "?from",
		"from=2025-13&to=2025-12":                           "?from",
		"from=2025-01&to=soon":                              "?to",
		"from=2025-02&to=2025-01":                           "?to",
		"from=2025-01&to=2025-02&as_of=then":                "?as_of",
		"from=2025-01&to=2025-02&as_of=2025-03-12T10:00:00": "?as_of",
		"from=2025-01&to=2025-02&as_of=999999999":           "?as_of",
		"from=2025-01&to=2025-02&asof=7":                    "?",
		"from=2025-01&from=2025-02&to=2025-02":              "?from",
		"from=2025-01&to=2025-02&view=ranking":              "?view",
	} {
		p := r.call(t, "quality", "GET", "/v1/departments/HARBOUR/benchmarks?"+query, "").problem(t, 400, "invalid")
		if len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", query, p.Errors)
		}
	}
}

func ratio(events, n int) string {
	text, _ := json.Marshal([]int{events, n})
	return strings.NewReplacer("[", "", "]", "", ",", "/").Replace(string(text))
}

// testTags: the same question at the same position is answered once.
func (r *registry) testTags(t *testing.T) {
	for _, path := range []string{
		"/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-03", "/v1/surgeons/S-014/charts", "/v1/cases/HB-900", "/v1/cases/HB-900/events", "/v1/alarms",
	} {
		first := r.call(t, "quality", "GET", path, "")
		tag := first.header.Get("ETag")
		if first.status != 200 || tag == "" {
			t.Fatalf("%s: %d %q", path, first.status, tag)
		}
		for _, held := range []string{tag, `"other", ` + tag, strings.TrimPrefix(tag, "W/"), "*"} {
			again := r.call(t, "quality", "GET", path, "", "If-None-Match", held)
			if again.status != 304 || again.body != "" || again.header.Get("ETag") != tag {
				t.Errorf("%s with %s: %d %q", path, held, again.status, again.body)
			}
		}
		if other := r.call(t, "quality", "GET", path, "", "If-None-Match", `"other"`); other.status != 200 || other.body != first.body {
			t.Errorf("%s: %d", path, other.status)
		}
	}
	path := "/v1/surgeons/S-014/charts"
	mine := r.call(t, "trainee", "GET", path, "").header.Get("ETag")
	if theirs := r.call(t, "quality", "GET", path, "").header.Get("ETag"); theirs == mine {
		t.Error("two people who may see different rows share a tag")
	}
	r.call(t, "quality", "GET", "/v1/surgeons/S-777/charts", "", "If-None-Match", "*").problem(t, 404, "not-found")
}

// testAsOf: what was answered once is answered again, whatever arrives later.
func (r *registry) testAsOf(t *testing.T) {
	paths := []string{
		"/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-03&", "/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-03&view=first-operator&",
		"/v1/surgeons/S-014/charts?", "/v1/cases/HB-900?", "/v1/cases/HB-900/events?", "/v1/alarms?", "/v1/departments/HARBOUR/charts?outcome=visual-loss&",
	}
	remembered := map[string]answer{}
	for _, path := range paths {
		remembered[path] = r.call(t, "quality", "GET", path, "")
	}
	at := readBenchmarks(t, remembered[paths[0]]).AsOf
	// A late rupture in an early case, and one taken back.
	late := eventOf("HARBOUR", "late", "HB-001", day(1, 9, 15), "lensledger.complication.recorded.v1", operation("HARBOUR", "HB-001", "S-014", day(1, 9, 0), true)[2].Data)
	r.publish(t, late, retraction("HB-900", "full-rupture"), retraction("HB-005", "HB-005-rupture"))
	for _, path := range paths {
		now := r.call(t, "quality", "GET", path, "")
		if now.body == remembered[path].body || now.header.Get("ETag") == remembered[path].header.Get("ETag") {
			t.Errorf("%s: nothing has changed", path)
		}
		for _, asOf := range []string{whole(at.Position), at.RecordedAt.Format(time.RFC3339Nano)} {
			then := r.call(t, "quality", "GET", path+"as_of="+url.QueryEscape(asOf), "")
			if then.body != remembered[path].body {
				t.Errorf("%s as of %s:\n%s\nremembered\n%s", path, asOf, then.body, remembered[path].body)
			}
		}
	}
	r.call(t, "quality", "GET", "/v1/cases/HB-900?as_of=0", "").problem(t, 404, "not-found")
	b := readBenchmarks(t, r.call(t, "auditor", "GET", paths[0]+"as_of=0", ""))
	if b.Operations != 0 || b.Words != "no cases" {
		t.Errorf("before the first event: %+v", b)
	}
}
