package analytics

import (
	"math"
	"strings"
	"testing"

	"lensledger/projections/alarm"
)

func (r *registry) testDepartmentCharts(t *testing.T) {
	ask := func(query string) departmentCharts {
		var d departmentCharts
		got := r.call(t, "quality", "GET", "/v1/departments/HARBOUR/charts?"+query, "")
		if got.into(t, &d); got.status != 200 || d.N != len(d.Charts) {
			t.Fatalf("%s: %d %s", query, got.status, got.body)
		}
		return d
	}
	// Six eyes with a prediction error: 0 D on the way to HB-500's -0.25, one of
	// +1.25 and one of exactly -1.00, which isn't beyond 1.00.
	whole := ask("outcome=refraction-miss")
	if whole.By != "department" || len(whole.Charts) != 1 || whole.Charts[0].N != 6 || whole.Charts[0].Events != 1 || whole.Charts[0].Group != "" ||
		whole.Charts[0].State != "data-late" || whole.Charts[0].Words != "Data late: of 7 eyes more the follow-up is missing, so little can be said (1 refraction miss among 6 eyes)." || whole.Charts[0].CompleteTo == "" || whole.Charts[0].Later != 0 {
		t.Fatalf("%+v", whole)
	}
	// At 15 % and twice the odds a case without a miss scores log(1/1.15) and one
	// with a miss log(2/1.15): Steiner SH, Cook RJ, Farewell VT, Treasure T.
	// Biostatistics 2000;1:441-452.
	miss, hit := math.Log(2/1.15), math.Log(1/1.15)
	for i, want := range []struct {
		code  string
		value float64
	}{{"HB-500", 0}, {"HB-700", 0}, {"HB-701", miss}, {"HB-702", miss + hit}, {"HB-703", miss + 2*hit}, {"HB-704", miss + 3*hit}} {
		if p := whole.Charts[0].Cases[i]; p.Case != want.code || math.Abs(p.Value-want.value) > 1e-9 || p.Expected != 0.15 || p.CaseNumber != i+1 {
			t.Errorf("%d: %+v, want %v", i, p, want)
		}
	}
	if d := whole.Charts[0].Design; d.Code != "standard-refraction-miss" || d.InControl == nil || d.Scope != "departments" || d.RiskModel != "" {
		t.Errorf("%+v", d)
	}
	// The others have no refraction, and are counted.
	left := 0
	for _, n := range whole.Charts[0].Excluded {
		left += n
	}
	if left != 7 {
		t.Errorf("%d eyes left out: %v", left, whole.Charts[0].Excluded)
	}
	byModel := ask("outcome=refraction-miss&by=lens_model")
	n := map[string]int{}
	for _, c := range byModel.Charts {
		n[c.Group] = c.N
	}
	if len(n) != 4 || n["INV-A"] != 3 || n["INV-B"] != 2 || n["INVENTED-1"] != 1 || n[""] != 0 {
		t.Errorf("%v", n)
	}
	if d := ask("outcome=refraction-miss&by=formula"); len(d.Charts) != 2 {
		t.Errorf("%+v", d)
	}
	if c := ask("outcome=refraction-miss&last=2").Charts[0]; len(c.Cases) != 2 || c.NotShown != 4 || c.N != 6 || c.Cases[1].Case != "HB-704" {
		t.Errorf("%+v", c)
	}
	if c := ask("outcome=visual-loss&last=0").Charts[0]; c.N != 1 || c.Events != 0 || len(c.Cases) != 0 {
		t.Errorf("%+v", c)
	}
	for query, pointer := range map[string]string{"": "?outcome", "outcome=capsule-rupture": "?outcome", "outcome=visual-loss&by=surgeon": "?by", "outcome=visual-loss&last=5001": "?last",
		"outcome=visual-loss&group=x": "?"} {
		if p := r.call(t, "quality", "GET", "/v1/departments/HARBOUR/charts?"+query, "").problem(t, 400, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", query, p.Errors)
		}
	}
	r.call(t, "inland", "GET", "/v1/departments/HARBOUR/charts?outcome=visual-loss", "").problem(t, 404, "not-found")
	r.call(t, "auditor", "GET", "/v1/departments/HARBOUR/charts?outcome=visual-loss", "").problem(t, 403, "forbidden")
}

func groupWords(g alarm.GroupChart) string {
	return ChartWords(alarm.StandingOfGroup(g), g.Design.Lengths())
}

func TestGroupWords(t *testing.T) {
	design := alarm.DepartmentStandards()[0]
	points := make([]alarm.Point, 30)
	g := alarm.GroupChart{Chart: alarm.Chart{Design: design, Points: points}, CompleteTo: "2025-03-12", Provisional: points[:1]}
	if got := groupWords(g); got != "No signal (could still miss a doubling): 0 refraction misses among 30 eyes, chart at 0.00, line 6.20; 1 eye operated on after 12 March 2025 may still change." {
		t.Error(got)
	}
	g.Reaching = []alarm.Point{{CaseNumber: 31, StartedAt: day(2, 0, 0)}}
	if got := groupWords(g); !strings.HasPrefix(got, "Crossed its line, for review: eye 31, operated on 2 January 2025, brought the chart to ") {
		t.Error(got)
	}
}
