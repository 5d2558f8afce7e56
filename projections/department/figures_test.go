package department

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

var (
	year    = Period{time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2025, 12, 31, 0, 0, 0, 0, time.UTC)}
	someDay = time.Date(2025, 3, 12, 0, 0, 0, 0, time.UTC)
)

func yes() *bool { b := true; return &b }
func no() *bool  { b := false; return &b }

// sumsOf adds up operations as the projector does.
func sumsOf(list []outcome.Operation) map[string]int64 {
	cells, out := map[Cell]int64{}, map[string]int64{}
	for _, o := range list {
		Add(cells, o.Row, o.Eye, 1)
	}
	for c, n := range cells {
		if c.Months == 1 {
			out[c.Quantity] += n
		}
	}
	return out
}

func operationRow(code string) outcome.Row {
	return outcome.Row{CaseCode: code, Department: "D", Counts: true, OutcomeKnown: true, OperatedOn: &someDay, TakenOver: no(), ExpectedNano: 10_000_000}
}

// Published aggregates as rows, at their full size: Brogan K, Diaper CJM, Rotchford
// AP. Br J Ophthalmol 2019;103:539, of 11,083 eyes 8,943 eligible, 5,577 (62.36 %)
// within 0.50 D and 7,938 (88.76 %) within 1.00 D. And Day AC et al. Eye 2015, eyes
// without co-pathology: 50.8 % at 0.00 and 94.6 % at 0.30 or better, here of 1,000.
// Wilson's limits were computed from the counts apart from this code.
func TestPublishedAggregates(t *testing.T) {
	var list []outcome.Operation
	for i := range 11083 {
		code := fmt.Sprintf("G-%05d", i)
		e := outcome.EyeRow{CaseCode: code, Department: "D", OperatedOn: someDay, LensSite: "bag", UncomplicatedInBag: true, SecondEye: no()}
		if i < 8943 {
			off := int64(1250)
			switch {
			case i < 5577:
				off = -500 // an eye on the edge is inside
			case i < 7938:
				off = 1000
			}
			acuity := int64(20)
			e.AfterHundredths, e.RefractionOn, e.ErrorThousandths = &acuity, &someDay, &off
		} else {
			e.RefractionReason = "no-refraction-in-window"
		}
		list = append(list, outcome.Operation{Row: operationRow(code), Eye: &e})
	}
	f, err := figuresOf([]string{"D"}, []map[string]int64{sumsOf(list)}, year, archive.AsOf{}, false)
	if err != nil {
		t.Fatal(err)
	}
	var seen []outcome.Operation
	for i := range 1000 {
		acuity := int64(40)
		switch {
		case i < 508:
			acuity = 0
		case i < 946:
			acuity = 30
		}
		seen = append(seen, outcome.Operation{Row: operationRow(fmt.Sprintf("V-%04d", i)),
			Eye: &outcome.EyeRow{OperatedOn: someDay, SecondEye: no(), Copathology: no(), AfterHundredths: &acuity, RefractionReason: "no-refraction-in-window"}})
	}
	v, err := figuresOf([]string{"V"}, []map[string]int64{sumsOf(seen)}, year, archive.AsOf{}, false)
	if err != nil {
		t.Fatal(err)
	}
	r := f.Rows[0].Refraction
	for _, c := range []struct {
		share                 ShownShare
		count, n              int
		percent, lower, upper float64
	}{
		{r.Within050, 5577, 8943, 62.36, .613524, .633602}, {r.Within100, 7938, 8943, 88.76, .880909, .894002},
		{v.Rows[0].Vision.At000, 508, 1000, 50.8, .477043, .538896}, {v.Rows[0].Vision.At030, 946, 1000, 94.6, .930208, .958379},
	} {
		if *c.share.Count != c.count || *c.share.N != c.n || math.Abs(*c.share.Share*100-c.percent) > 0.005 {
			t.Errorf("%d of %d", *c.share.Count, *c.share.N)
		}
		if lower, upper := c.share.Interval.Lower, c.share.Interval.Upper; math.Abs(lower-c.lower) > 5e-7 || math.Abs(upper-c.upper) > 5e-7 {
			t.Errorf("%d: %.6f to %.6f", c.count, lower, upper)
		}
	}
}

func TestFiguresHoldBack(t *testing.T) {
	departments := func(ruptures ...int) []map[string]int64 {
		var out []map[string]int64
		for d, k := range ruptures {
			var list []outcome.Operation
			for i := range 100 {
				r := operationRow(fmt.Sprintf("%d-%d", d, i))
				e := outcome.EyeRow{CaseCode: r.CaseCode, OperatedOn: someDay, RefractionReason: "no-refraction-in-window"}
				if r.Rupture = i < k; r.Rupture {
					e.Complications = []string{"posterior-capsule-rupture"}
				}
				list = append(list, outcome.Operation{Row: r, Eye: &e})
			}
			out = append(out, sumsOf(list))
		}
		return out
	}
	codes := []string{"A", "B", "C"}
	f, err := figuresOf(codes, departments(3, 12, 30), year, archive.AsOf{Position: 7}, true)
	if err != nil {
		t.Fatal(err)
	}
	a, b, c := f.Rows[0].CapsuleRupture, f.Rows[1].CapsuleRupture, f.Rows[2].CapsuleRupture
	if a.Events != nil || a.Rate != nil || a.Interval != nil || a.AdjustedRate != nil || a.N == nil || b.Events != nil || c.Events == nil || *f.Total.CapsuleRupture.Events != 45 {
		t.Errorf("%+v %+v %+v %+v", a, b, c, f.Total.CapsuleRupture)
	}
	named := map[string]int{}
	for _, s := range f.Suppressed {
		named[s.Department+" "+s.Figure]++
		if s.Reason != reasonSmall {
			t.Error(s)
		}
	}
	for _, want := range []string{"A capsule_rupture.events", "B capsule_rupture.events", "A complications.any.events"} {
		if named[want] != 1 {
			t.Errorf("%s isn't named once: %v", want, f.Suppressed)
		}
	}
	table, err := f.CSV()
	if err != nil {
		t.Fatal(err)
	}
	lines, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	if err != nil || len(lines) != 5 {
		t.Fatal(err, lines)
	}
	for _, line := range lines {
		if len(line) != len(FigureColumns) {
			t.Errorf("%d fields, %d columns", len(line), len(FigureColumns))
		}
	}
	// A department so small that its number of operations is held back: how many
	// ruptures were expected would say it.
	sums := departments(0, 12, 30)
	sums[0] = sumsOf([]outcome.Operation{{Row: operationRow("x"), Eye: &outcome.EyeRow{OperatedOn: someDay}}})
	f, err = figuresOf(codes, sums, year, archive.AsOf{}, true)
	if err != nil {
		t.Fatal(err)
	}
	if f.Rows[0].Operations != nil || f.Rows[0].CapsuleRupture.Expected != nil || f.Total.CapsuleRupture.Expected != nil || f.Total.CapsuleRupture.AdjustedRate != nil {
		t.Errorf("%+v\n%+v", f.Rows[0], f.Total)
	}
}

// Ten units: events 3 5 8 ..., worked out in R by the published formulas
// (Spiegelhalter DJ. Stat Med 2005;24:1185-1202; quantiles of type 7).
func TestFunnelOfTenUnits(t *testing.T) {
	observed := []int{3, 8, 5, 12, 2, 9, 15, 4, 7, 10}
	n := []int{200, 300, 250, 400, 180, 310, 420, 260, 330, 500}
	z := []float64{-0.8172, 0.3246, -0.3951, 0.8121, -1.1175, 0.6032, 1.6003, -0.8911, -0.3095, -0.5587}
	f := newFunnel(FunnelRequest{Outcome: string(events.OutcomeUnplannedTakeover), BySurgeon: true, Period: year}, archive.AsOf{})
	for i := len(observed) - 1; i >= 0; i-- {
		for k := range n[i] {
			r := operationRow("")
			r.FirstOperator = fmt.Sprintf("S-%d", i)
			if k < observed[i] {
				r.TakenOver = yes()
			}
			f.addOperation(r)
		}
	}
	few, unknown, young := operationRow(""), operationRow(""), operationRow("")
	few.FirstOperator, unknown.TakenOver, young.Excluded = "S-9999", nil, "under-18"
	for _, r := range []outcome.Row{unknown, young} {
		f.addOperation(r)
	}
	if err := f.place(); err != nil {
		t.Fatal(err)
	}
	if f.Limits == nil || len(f.Limits.Points) != 10 || math.Abs(f.Limits.Target-0.02380952) > 5e-9 || math.Abs(f.Limits.Dispersion.Phi-0.478317) > 5e-7 ||
		f.Limits.Dispersion.Tau2 != 0 || *f.Excluded[ExcludedTakeoverUnknown] != 1 || *f.Excluded["under-18"] != 1 {
		t.Fatalf("%+v %+v", f, f.Limits)
	}
	for i, p := range f.Limits.Points {
		if p.Code != fmt.Sprintf("S-%d", i) || math.Abs(p.Z-z[i]) > 5e-5 {
			t.Errorf("%s: z %.4f, want %.4f", p.Code, p.Z, z[i])
		}
	}
	if f.Limits.Outside95.Expected <= 0 || f.Limits.Outside95.Units != 0 {
		t.Errorf("%+v", f.Limits.Outside95)
	}
	f.addOperation(few)
	if err := f.place(); err != nil || f.Limits.HeldBack != 1 {
		t.Errorf("%v %+v", err, f.Limits)
	}
}

// With one risk for all, the exact chance is the binomial one: 5 or more, and 5 or
// fewer, of 100 at 2 %, summed from the definition.
func TestFunnelOfRuptures(t *testing.T) {
	f := newFunnel(FunnelRequest{Outcome: string(events.OutcomeCapsuleRupture), BySurgeon: true, View: ViewResponsible, Period: year}, archive.AsOf{})
	for k := range 100 {
		r := operationRow("")
		r.ResponsibleConsultant, r.ExpectedNano, r.Rupture = "C-1", 20_000_000, k < 5
		f.addOperation(r)
	}
	nobody := operationRow("")
	f.addOperation(nobody)
	if err := f.place(); err != nil {
		t.Fatal(err)
	}
	a := f.Adjusted[0]
	if math.Abs(*a.ChanceAtLeast-0.0508304454) > 1e-9 || math.Abs(*a.ChanceAtMost-0.9845163594) > 1e-9 || math.Abs(a.Expected-2) > 1e-12 ||
		math.Abs(*a.AdjustedRate-2.5*measure.Reference2016To2022().Rate) > 1e-12 || math.Abs(f.Limits.Target-0.02) > 1e-12 || *f.Excluded[ExcludedNoSurgeon] != 1 {
		t.Errorf("%+v %+v", a, f)
	}
}

func manySurgeons() Funnel {
	f := newFunnel(FunnelRequest{Outcome: string(events.OutcomeCapsuleRupture), BySurgeon: true, Period: year}, archive.AsOf{})
	r := operationRow("")
	for s := range 3000 {
		r.FirstOperator = fmt.Sprintf("S-%04d", s)
		for k := range 100 {
			r.ExpectedNano, r.Rupture = int64(4_000_000+k*200_000), (s+k)%97 == 0
			f.addOperation(r)
		}
	}
	return f
}

// A funnel of 3,000 surgeons with 100 operations each: limits, over-dispersion and
// the exact chance of each one's own list.
func BenchmarkFunnelOfSurgeons(b *testing.B) {
	f := manySurgeons()
	for b.Loop() {
		f.Adjusted = nil
		if err := f.place(); err != nil {
			b.Fatal(err)
		}
	}
}

func TestRiskModelCheck(t *testing.T) {
	model := measure.DefaultModel()
	predictors, ruptures := []float64{}, []bool{}
	for i := range 20000 {
		x := float64(i%40) / 20
		predictors = append(predictors, x)
		// As many as are expected of each risk, spread evenly.
		p, err := model.Probability(math.Exp(x))
		if err != nil {
			t.Fatal(err)
		}
		turn := float64(i / 40)
		ruptures = append(ruptures, math.Floor((turn+1)*p) > math.Floor(turn*p))
	}
	few, err := riskModelOf("D", year, archive.AsOf{}, predictors[:2000], ruptures[:2000])
	if err != nil || few.NoProposal == nil || few.NoProposal.Needed != measure.RecalibrationEvents || few.NoProposal.Events != few.Events || few.Proposal != nil {
		t.Errorf("%v %+v", err, few)
	}
	none, err := riskModelOf("D", year, archive.AsOf{}, nil, nil)
	if err != nil || none.Refused == nil || none.NoProposal == nil || none.Deciles == nil {
		t.Errorf("%v %+v", err, none)
	}
	c, err := riskModelOf("D", year, archive.AsOf{}, predictors, ruptures)
	if err != nil || c.Refused != nil || c.NoProposal != nil || len(c.Deciles) != 10 || c.HosmerLemeshow.P < 0.5 {
		t.Fatalf("%v %+v", err, c)
	}
	if s := c.Calibration.Slope.Value; math.Abs(s-1) > 0.1 || math.Abs(c.Calibration.ObservedExpected-1) > 0.1 || c.Proposal.Version == c.Version {
		t.Errorf("slope %v %+v", s, c.Calibration)
	}
}
