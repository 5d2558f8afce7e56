package main

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"lensledger/events/simulate"
	"lensledger/services/access"
)

// What the demo answers, beside the rates that made it. Two kinds of wants:
//
//   - what truly happened, by the scenario's own summary, is found exactly;
//   - the rates of the demo's rules lie inside each figure's exact interval. They
//     are written here a second time, in the words of the rules, and not read
//     from events/simulate: a rate changed there shows here.
//
// truthTail is the chance left outside an interval at each end: 99.9 % for each
// figure, as Clopper CJ, Pearson ES. Biometrika 1934;26:404-413 draws it. That is
// for each alone; of about 150 figures one would lie outside by chance in one
// scenario of seven. The seed is fixed, so the answer is always the same one.
const truthTail = 0.0005

// truthZ is the normal deviate of truthTail.
const truthZ = 3.2905

// truth is the demo loaded, with what is known of it.
type truth struct {
	w         *world
	summary   simulate.Summary
	surgeons  map[string]simulate.SurgeonTruth
	cases     []truthCase
	exact     int // comparisons made
	intervals int
}

// The demo's people: three of them are personas of the program, as which a
// visitor asks. The other two departments have quality officers of their own.
func truthOfficer(department string) access.Actor {
	if department == "HARBOUR" {
		return actors["quality"]
	}
	return quality(department)
}

// truthHome is the department whose quality officer sees a surgeon's pages: S-006
// moved to FENLAND at the end of 2025.
func truthHome(surgeon, department string) string {
	if surgeon == "S-006" {
		return "FENLAND"
	}
	return department
}

// compareTruth holds a loaded demo against its truth and its rules.
func compareTruth(t *testing.T, w *world, bySubject map[string][]naiveEvent) {
	t.Helper()
	c := &truth{w: w, summary: simulate.Demo().Summary(), surgeons: map[string]simulate.SurgeonTruth{}}
	for _, s := range c.summary.Surgeons {
		c.surgeons[s.Code] = s
	}
	c.cases = c.readCases(bySubject)
	if len(c.summary.Departments) != 3 || len(c.surgeons) != 47 {
		t.Fatalf("%d departments, %d surgeons", len(c.summary.Departments), len(c.surgeons))
	}
	answers := map[string]truthAnswer{}
	for _, d := range c.summary.Departments {
		var got truthAnswer
		w.get(t, truthOfficer(d.Code), benchmarkPath(d.Code, "2024-01", "2025-12", ""), &got)
		answers[d.Code] = got
		c.holdCounts(t, d, got)
		c.holdViews(t, d)
		c.holdVision(t, d, got)
		c.holdRefraction(t, d, got)
		c.holdFindings(t, d, got)
		c.holdCompleteness(t, d, got)
		c.holdAstigmatism(t, d)
		c.holdInfections(t, d)
	}
	c.holdFigures(t, answers)
	c.holdRuptures(t, answers)
	c.holdTrainees(t)
	c.holdAlarms(t)
	c.holdTeaching(t)
	c.holdTimes(t)
	t.Logf("%d counts found exactly, %d figures near their rates", c.exact, c.intervals)
	if c.exact < 200 || c.intervals < 120 {
		t.Errorf("too little to compare: %d counts, %d figures", c.exact, c.intervals)
	}
}

// truthShare is a counted share as the API answers it.
type truthShare struct {
	Count, N int
	Bounds   *struct {
		Good float64 `json:"all_missing_good"`
		Bad  float64 `json:"all_missing_bad"`
	}
}

type truthVision struct {
	Eyes  int
	After struct {
		N      int
		Zero   truthShare `json:"at_0_00_or_better"`
		Thirty truthShare `json:"at_0_30_or_better"`
	}
	Loss struct{ Events, N int } `json:"visual_loss"`
}

type truthErrors struct {
	N         int
	Within025 truthShare `json:"within_0_25_d"`
	Within050 truthShare `json:"within_0_50_d"`
	Within100 truthShare `json:"within_1_00_d"`
	Within200 truthShare `json:"within_2_00_d"`
	Mean      float64    `json:"mean_d"`
}

// truthAnswer is what the API answers of a department, as far as it is held here.
type truthAnswer struct {
	Operations int
	Rupture    countedFigure `json:"capsule_rupture"`
	Takeover   countedFigure `json:"unplanned_takeover"`
	Vision     struct {
		ByCopathology map[string]truthVision `json:"by_copathology"`
		AllEyes       truthVision            `json:"all_eyes"`
		Comparable    bool
	}
	Refraction struct {
		truthErrors
		BothEyes        truthErrors    `json:"both_eyes"`
		AllEyes         truthErrors    `json:"all_eyes"`
		AllEyesExcluded map[string]int `json:"all_eyes_excluded"`
	}
	Complications struct {
		ByKind          map[string]countedFigure `json:"by_kind"`
		Findings        map[string]countedFigure
		Returned        countedFigure `json:"returned_to_theatre"`
		Attended        countedFigure `json:"unplanned_attendance"`
		Endophthalmitis int
	}
	Completeness struct {
		Timed      countedFigure `json:"operating_time_known"`
		Before     countedFigure `json:"acuity_before_known"`
		After      countedFigure `json:"acuity_after_known"`
		Refraction countedFigure `json:"refraction_known"`
		Error      countedFigure `json:"prediction_error_known"`
	}
	Excluded map[string]int
}

// equal wants a count exactly.
func (c *truth) equal(t *testing.T, what string, got, want int) {
	t.Helper()
	if c.exact++; got != want {
		t.Errorf("%s: found %d, truly %d", what, got, want)
	}
}

// share wants a rate inside the exact interval of count in n: neither a number so
// low nor one so high is less likely than truthTail. Where n differ in their
// chances, want is the mean of these; the interval is then a little too wide.
func (c *truth) share(t *testing.T, what string, count, n int, want float64) {
	t.Helper()
	c.intervals++
	low, high := binomialAtMost(n)(count, want), 1.0
	if count > 0 {
		high = 1 - binomialAtMost(n)(count-1, want)
	}
	if n == 0 || !(want > 0 && want < 1) || low < truthTail || high < truthTail {
		t.Errorf("%s: %d of %d (%.2f %%), by the demo's rules %.2f %%: %.2g of scenarios are as low, %.2g as high", what, count, n,
			100*float64(count)/float64(n), 100*want, low, high)
	}
}

// number wants an expected number inside the exact interval of a count. spread is
// the relative variance of the expectation itself, where surgeons drawn at random
// stand behind it: the count is then a Poisson number of a gamma mean.
func (c *truth) number(t *testing.T, what string, count int, want, spread float64) {
	t.Helper()
	c.intervals++
	atMost := func(k int) float64 {
		if k < 0 {
			return 0
		}
		if spread == 0 {
			return poissonAtMost(k, want)
		}
		r := 1 / spread
		sum, term := 0.0, r*math.Log(r/(r+want))
		for i := 0; i <= k; i++ {
			sum += math.Exp(term)
			term += math.Log((r + float64(i)) / float64(i+1) * want / (r + want))
		}
		return sum
	}
	if low, high := atMost(count), 1-atMost(count-1); low < truthTail || high < truthTail {
		t.Errorf("%s: %d, by the demo's rules %.1f: %.2g of scenarios are as low, %.2g as high", what, count, want, low, high)
	}
}

// amount wants a mean or a median within truthZ standard errors.
func (c *truth) amount(t *testing.T, what string, got, want, se float64) {
	t.Helper()
	if c.intervals++; !(math.Abs(got-want) <= truthZ*se) {
		t.Errorf("%s: %.4f, by the demo's rules %.4f, further off than %.2f standard errors of %.4f", what, got, want, truthZ, se)
	}
}

// holdCounts: what truly happened at the operation is found exactly.
func (c *truth) holdCounts(t *testing.T, d simulate.DepartmentTruth, got truthAnswer) {
	t.Helper()
	say := func(what string) string { return d.Code + " " + what }
	c.equal(t, say("operations"), got.Operations, d.Benchmark.Operations)
	c.equal(t, say("combined with another"), got.Excluded["combined"], d.All.Operations-d.Benchmark.Operations)
	c.equal(t, say("ruptures"), got.Rupture.Events, d.Benchmark.Ruptures)
	c.equal(t, say("rupture's denominator"), got.Rupture.N, d.Benchmark.Operations)
	c.equal(t, say("acuity after"), got.Completeness.After.Events, d.Eyes.Acuity.Count)
	// After a return to theatre a refraction is none of this operation's.
	c.equal(t, say("refractions"), got.Completeness.Refraction.Events+got.Refraction.AllEyesExcluded["after-another-procedure"],
		d.Eyes.Refraction.Count)
	// An abandoned operation has no end.
	c.equal(t, say("operating time unknown"), got.Operations-got.Completeness.Timed.Events, d.Abandoned)
	for _, f := range d.Eyes.Findings {
		found := got.Complications.Findings[f.Kind].Events
		switch f.Kind {
		case "return-to-theatre":
			found = got.Complications.Returned.Events
		case "unplanned-attendance":
			found = got.Complications.Attended.Events
		case "endophthalmitis":
			found = got.Complications.Endophthalmitis
		case "corneal-oedema": // before day 28 it is healing: see holdFindings
			continue
		}
		c.equal(t, say(f.Kind), found, f.Count)
	}
}

// holdViews: the three views of whose. Sums are the department's; a trainee's
// operations are all in it, a consultant's less those combined with another.
func (c *truth) holdViews(t *testing.T, d simulate.DepartmentTruth) {
	t.Helper()
	for _, view := range []string{"responsible-consultant", "first-operator", "operator-at-cause"} {
		var got benchmarkAnswer
		c.w.get(t, truthOfficer(d.Code), benchmarkPath(d.Code, "2024-01", "2025-12", view), &got)
		n, ruptures := 0, 0
		for _, f := range got.BySurgeon {
			n, ruptures = n+f.N, ruptures+f.Events
			s := c.surgeons[f.Surgeon]
			name := fmt.Sprint(d.Code, " ", view, " ", f.Surgeon)
			if view == "first-operator" && strings.HasPrefix(f.Surgeon, "S-") {
				c.equal(t, name+" operations", f.N, s.FirstOperator.Operations)
				c.equal(t, name+" ruptures", f.Events, s.FirstOperator.Ruptures)
			}
			if view == "responsible-consultant" {
				combined := 0
				for _, op := range c.cases {
					if op.responsible == f.Surgeon && op.excluded != "" {
						combined++
					}
				}
				c.equal(t, name+" operations", f.N, s.Responsible.Operations-combined)
			}
		}
		switch view {
		case "operator-at-cause": // undetermined causes are nobody's
			undetermined := 0
			for _, op := range c.cases {
				if op.department == d.Code && op.excluded == "" && op.rupture && op.cause == "undetermined" {
					undetermined++
				}
			}
			c.equal(t, d.Code+" ruptures with a cause", ruptures, d.Benchmark.Ruptures-undetermined)
		default:
			c.equal(t, d.Code+" "+view+" operations", n, d.Benchmark.Operations)
			c.equal(t, d.Code+" "+view+" ruptures", ruptures, d.Benchmark.Ruptures)
		}
	}
}

// holdFigures: the auditor's table says what the departments' pages say, but for
// small numbers, which stay in the department.
func (c *truth) holdFigures(t *testing.T, answers map[string]truthAnswer) {
	t.Helper()
	var got struct {
		Rows []struct {
			Department string
			Operations int
			Rupture    countedFigure `json:"capsule_rupture"`
			Takeover   countedFigure `json:"unplanned_takeover"`
			Refraction truthErrors
		}
	}
	c.w.get(t, actors["auditor"], "/v1/figures?from=2024-01&to=2025-12&by=department", &got)
	c.equal(t, "departments in the auditor's figures", len(got.Rows), 3)
	for _, r := range got.Rows {
		want := answers[r.Department]
		c.equal(t, "figures "+r.Department+" operations", r.Operations, want.Operations)
		c.equal(t, "figures "+r.Department+" ruptures", r.Rupture.Events, want.Rupture.Events)
		c.equal(t, "figures "+r.Department+" take-overs", r.Takeover.Events, want.Takeover.Events)
		c.equal(t, "figures "+r.Department+" within 0.50 D", r.Refraction.Within050.Count, want.Refraction.Within050.Count)
	}
}
