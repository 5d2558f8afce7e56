package department

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

var march = time.Date(2025, 3, 12, 0, 0, 0, 0, time.UTC)

// operation is one that counts, with a change to its eye.
func operation(i int, change func(e *outcome.EyeRow)) outcome.Operation {
	on := march
	e := outcome.EyeRow{CaseCode: fmt.Sprintf("K%06d", i), Department: "D", Eye: "right", OperatedOn: on,
		VisionReason: outcome.NoAcuityEither, RefractionReason: "no-refraction-in-window"}
	change(&e)
	return outcome.Operation{Row: outcome.Row{CaseCode: e.CaseCode, Department: "D", Counts: true, OutcomeKnown: true, OperatedOn: &on}, Eye: &e}
}

func summed(list []outcome.Operation) map[string]int64 {
	cells := map[Cell]int64{}
	for _, o := range list {
		Add(cells, o.Row, o.Eye, 1)
	}
	out := map[string]int64{}
	for c, n := range cells {
		if c.Months == 1 {
			out[c.Quantity] += n
		}
	}
	return out
}

func of(n int64) *int64 { return &n }

// eligible makes an eye of the main figure with an error in thousandths.
func eligible(off int64) func(e *outcome.EyeRow) {
	return func(e *outcome.EyeRow) {
		e.UncomplicatedInBag, e.LensSite, e.AfterHundredths, e.AfterOn = true, "bag", of(30), &march
		e.ErrorThousandths, e.RefractionOn, e.RefractionReason = of(off), &march, ""
	}
}

func near(t *testing.T, what string, got *float64, want, within float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > within {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// Published counts come back with their shares, and the choice of eyes changes
// the rate. Gale RP, Saldana M, Johnston RL, Zuberbuhler B, McKibbin M. Eye
// 2009;23:149-152: within 1 D 79.7 % of 952, 83.4 % of 2,406, 87.0 % of 1,448.
// Brogan K, Diaper CJM, Rotchford AP. Br J Ophthalmol 2019;103:539: 8,943 eyes,
// 7,938 (88.76 %) within 1 D, 5,577 (62.36 %) within 0.5 D.
func TestPublishedRefraction(t *testing.T) {
	for _, p := range []struct {
		n, within100, within050 int
		share100, share050      float64
	}{
		{952, 759, 400, 0.797, 0},
		{2406, 2007, 1200, 0.834, 0},
		{1448, 1260, 900, 0.870, 0},
		{8943, 7938, 5577, 0.8876, 0.6236},
	} {
		var list []outcome.Operation
		for i := range p.n {
			off := int64(1001)
			switch {
			case i < p.within050:
				off = -500
			case i < p.within100:
				off = 1000
			}
			list = append(list, operation(i, eligible(off)))
		}
		for i := range p.n / 10 { // eyes with a complication, all far off
			list = append(list, operation(p.n+i, func(e *outcome.EyeRow) {
				eligible(2500)(e)
				e.UncomplicatedInBag, e.Complications = false, []string{"iris-trauma"}
			}))
		}
		r, err := refractionOf(summed(list), archive.AsOf{})
		if err != nil {
			t.Fatal(err)
		}
		if r.N != p.n || r.Within100.Count != p.within100 || r.Within050.Count != p.within050 || r.Within200.Count != p.n {
			t.Errorf("of %d: n %d, within 1 D %d, 0.5 D %d, 2 D %d", p.n, r.N, r.Within100.Count, r.Within050.Count, r.Within200.Count)
		}
		near(t, "within 1 D", r.Within100.Share, p.share100, 0.0005)
		if p.share050 != 0 {
			near(t, "within 0.5 D", r.Within050.Share, p.share050, 0.00005)
		}
		if all := r.AllEyes; all.N != p.n+p.n/10 || all.Within100.Count != p.within100 || *all.Within100.Share >= *r.Within100.Share {
			t.Errorf("all eyes: n %d, within 1 D %d", all.N, all.Within100.Count)
		}
		if r.Excluded[OutComplicated] != p.n/10 || !r.Comparable {
			t.Errorf("excluded %v, comparable %v", r.Excluded, r.Comparable)
		}
	}
}

// Outcome bands by co-pathology, in eyes of 1,000 each: Day AC, Donachie PHJ,
// Sparrow JM, Johnston RL. Eye 2015;29:552-560: without 50.8 and 94.6 %, unaided
// 27.3 and 80.9 %; with 32.5 and 79.9 %. 6/12 counts as 0.30 or better.
func TestPublishedVision(t *testing.T) {
	var list []outcome.Operation
	yes, no := true, false
	add := func(with *bool, at000, at030, unaided000, unaided030 int) {
		for i := range 1000 {
			list = append(list, operation(len(list), func(e *outcome.EyeRow) {
				level := func(i, best, good int) *int64 {
					switch {
					case i < best:
						return of(0)
					case i < good:
						return of(30)
					}
					return of(31)
				}
				e.Copathology, e.AfterHundredths, e.AfterUnaidedHundredths = with, level(i, at000, at030), level(i, unaided000, unaided030)
				e.BeforeHundredths, e.VisualLoss, e.VisionReason = of(40), &no, ""
			}))
		}
	}
	add(&no, 508, 946, 273, 809)
	add(&yes, 325, 799, 0, 0)
	v, err := visionOf(summed(list), archive.AsOf{RecordedAt: march.AddDate(1, 0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	without, with := v.ByCopathology[WithoutCopathology], v.ByCopathology[WithCopathology]
	near(t, "without, 0.00", without.After.At000.Share, 0.508, 0)
	near(t, "without, 0.30", without.After.At030.Share, 0.946, 0)
	near(t, "without, unaided 0.00", without.Unaided.At000.Share, 0.273, 0)
	near(t, "without, unaided 0.30", without.Unaided.At030.Share, 0.809, 0)
	near(t, "with, 0.00", with.After.At000.Share, 0.325, 0)
	near(t, "with, 0.30", with.After.At030.Share, 0.799, 0)
	if v.Eyes != 2000 || v.After.N != 2000 || !v.Comparable || v.CompleteTo != "2025-09-12" || v.Before.At030.Count != 0 {
		t.Errorf("eyes %d, n %d, comparable %v, complete to %s", v.Eyes, v.After.N, v.Comparable, v.CompleteTo)
	}
}

// Missing is never success: bounds say what it could be, an eye without light
// perception before is out of loss, second eyes stand beside, and below 70 %
// nothing is to be compared.
func TestBoundsAndCompleteness(t *testing.T) {
	yes, no := true, false
	var list []outcome.Operation
	add := func(n int, change func(e *outcome.EyeRow)) {
		for range n {
			list = append(list, operation(len(list), change))
		}
	}
	known := func(loss *bool) func(e *outcome.EyeRow) {
		return func(e *outcome.EyeRow) { e.VisualLoss, e.VisionReason = loss, "" }
	}
	add(6, known(&yes))
	add(54, known(&no))
	add(35, func(e *outcome.EyeRow) { e.VisionReason = outcome.NoAcuityAfter })
	add(5, func(e *outcome.EyeRow) { e.VisionReason = outcome.NoLightBefore })
	add(10, func(e *outcome.EyeRow) { known(&yes)(e); e.SecondEye = &yes })
	v, err := visionOf(summed(list), archive.AsOf{})
	if err != nil {
		t.Fatal(err)
	}
	if v.Eyes != 100 || v.Loss.Events != 6 || v.Loss.N != 60 || v.AllEyes.Loss.Events != 16 || v.AllEyes.Eyes != 110 {
		t.Errorf("%+v", v)
	}
	if b := v.Loss.Bounds; b == nil || b.Missing != 35 || b.Good != 6.0/95 || b.Bad != 41.0/95 {
		t.Errorf("bounds %+v", v.Loss.Bounds)
	}
	if v.Comparable || v.Excluded[outcome.NoAcuityAfter] != 35 || v.Excluded[outcome.NoLightBefore] != 5 {
		t.Errorf("comparable %v with 60 of 95 known, excluded %v", v.Comparable, v.Excluded)
	}
	if !enoughKnown(70, 100) || enoughKnown(69, 100) || enoughKnown(24, 24) {
		t.Error("70 % of 25 cases or more is enough")
	}
	// Below 25 the counts stand alone.
	if v, err = visionOf(summed(list[:24]), archive.AsOf{}); err != nil || v.Loss.Events != 6 || v.Loss.Rate != nil || v.Loss.Bounds != nil {
		t.Errorf("of 24: %+v %v", v.Loss, err)
	}
}

// Each operation is in the main figure or excluded for one reason, and what was
// added and taken away again leaves no cell.
func TestEveryEyeCountsOnce(t *testing.T) {
	const seed = 11
	dice := rand.New(rand.NewPCG(seed, 0))
	var list []outcome.Operation
	cells := map[Cell]int64{}
	for i := range 400 {
		o := operation(i, func(e *outcome.EyeRow) {
			second := dice.IntN(2) == 0
			if dice.IntN(2) == 0 {
				e.SecondEye = &second
			}
			if dice.IntN(2) == 0 {
				eligible(int64(5 * (dice.IntN(400) - 200)))(e)
			}
			if dice.IntN(4) == 0 {
				e.AfterHundredths = of(int64(dice.IntN(80)))
			}
			if dice.IntN(5) == 0 {
				e.Complications, e.UncomplicatedInBag = []string{"chemosis"}, false
			}
			if dice.IntN(5) == 0 {
				e.LensSite, e.UncomplicatedInBag = "", false
			}
		})
		list = append(list, o)
		Add(cells, o.Row, o.Eye, 1)
	}
	sums := summed(list)
	r, err := refractionOf(sums, archive.AsOf{})
	if err != nil {
		t.Fatal(err)
	}
	total := r.N
	for _, n := range r.Excluded {
		total += n
	}
	all := r.AllEyes.N
	for _, n := range r.ExcludedOf {
		all += n
	}
	if total != 400 || all != 400 {
		t.Errorf("seed %d: %d in or out of the main figure, %d of all eyes, want 400", seed, total, all)
	}
	for _, o := range list {
		Add(cells, o.Row, o.Eye, -1)
	}
	if len(cells) != 0 {
		t.Errorf("seed %d: %d cells are left", seed, len(cells))
	}
}

// The distribution in the cells gives what the measure gives of the list.
func TestDistribution(t *testing.T) {
	const seed = 3
	dice := rand.New(rand.NewPCG(seed, 0))
	for _, n := range []int{25, 26, 333} {
		var list []outcome.Operation
		var errors []float64
		for i := range n {
			off := int64(5 * math.Round(dice.NormFloat64()*90))
			errors = append(errors, float64(off)/1000)
			list = append(list, operation(i, eligible(off)))
		}
		want, err := measure.NewPredictionResult(errors)
		if err != nil {
			t.Fatal(err)
		}
		r, err := refractionOf(summed(list), archive.AsOf{})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mean", r.Mean, want.Mean, 1e-12)
		near(t, "sd", r.SD, *want.SD, 1e-12)
		near(t, "mean absolute", r.MeanAbsolute, want.MeanAbsolute, 1e-12)
		near(t, "median absolute", r.MedianAbsolute, want.MedianAbsolute, 1e-12)
		for i, s := range []Share{r.Within025, r.Within050, r.Within100, r.Within200} {
			if s.Count != want.Within[i].Rate.Events {
				t.Errorf("seed %d, n %d: within %v: %d, want %d", seed, n, want.Within[i].Dioptres, s.Count, want.Within[i].Rate.Events)
			}
		}
	}
}

// Two infections found within 30 days ask for a look; 31 days apart don't.
func TestNotices(t *testing.T) {
	eye := func(code string, day int) outcome.EyeRow {
		on := march.AddDate(0, 0, day)
		return outcome.EyeRow{CaseCode: code, EndophthalmitisOn: &on}
	}
	n := notices([]outcome.EyeRow{eye("A", 0), eye("B", 31), eye("C", 61), eye("D", 70), eye("E", 200)})
	if len(n) != 1 || fmt.Sprint(n[0].Cases) != "[B C D]" || n[0].From != "2025-04-12" || n[0].To != "2025-05-21" {
		t.Errorf("%+v", n)
	}
}

// Errors are pooled by lens model, formula, biometer and constant, from 25 eyes
// on.
func TestLensGroups(t *testing.T) {
	var eyes []outcome.EyeRow
	var errors []float64
	add := func(n int, model string, constant *int64) {
		for range n {
			off := int64(10*(len(eyes)%40) - 150)
			e := *operation(len(eyes), eligible(off)).Eye
			e.LensModel, e.Formula, e.ConstantMillionths, e.PowerHundredths, e.AchievedThousandths = model, "F", constant, of(2100), of(off)
			eyes = append(eyes, e)
			if model == "A" {
				errors = append(errors, float64(off)/1000)
			}
		}
	}
	add(40, "A", of(118_700_000))
	add(24, "B", nil)
	add(1, "A", nil)
	groups, err := lensGroups(eyes)
	if err != nil || len(groups) != 3 {
		t.Fatal(groups, err)
	}
	want, err := measure.NewLensConstant(errors[:40], 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if g := groups[1]; g.N != 40 || *g.Constant != 118.7 || g.Check == nil || *g.Check != want || g.AConstant != nil {
		t.Errorf("%+v", g)
	}
	if groups[0].N != 1 || groups[0].Check != nil || groups[2].LensModel != "B" || groups[2].Errors != nil {
		t.Errorf("small groups say more than their number: %+v %+v", groups[0], groups[2])
	}
}

// Left eyes are mirrored before they are pooled: meridian a becomes 180 - a.
func TestLeftEyesAreMirrored(t *testing.T) {
	var eyes []outcome.EyeRow
	for i := range 30 {
		e := *operation(i, func(*outcome.EyeRow) {}).Eye
		e.SiaXMicro, e.SiaYMicro = of(int64(100_000+i*1000)), of(int64(200_000+i*i*500))
		if i%2 == 1 {
			e.Eye, *e.SiaYMicro = "left", -*e.SiaYMicro
		}
		eyes = append(eyes, e)
	}
	eyes = append(eyes, outcome.EyeRow{}, outcome.EyeRow{Eye: "left", SiaReason: outcome.NoKeratometryBefore})
	a, err := astigmatismOf(eyes, archive.AsOf{})
	if err != nil {
		t.Fatal(err)
	}
	if a.Settled.N != 30 || a.Settled.Prediction == nil || a.Early.N != 0 || a.Excluded[ExcludedEyeUnknown] != 1 || a.Excluded[outcome.NoKeratometryBefore] != 1 {
		t.Errorf("%+v", a)
	}
	for i, p := range a.Settled.Points {
		if p.Y <= 0 {
			t.Errorf("point %d isn't mirrored: %+v", i, p)
		}
	}
	near(t, "x of the centroid", &a.Settled.Centroid.Mean.X, 0.1145, 1e-9)
}
