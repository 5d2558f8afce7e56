package portal

import (
	"testing"

	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// share is a share with its interval as the figures have them: from 25 cases on.
func share(t *testing.T, count, n, missing int) department.Share {
	t.Helper()
	f := figure(t, count, n)
	s := department.Share{Count: f.Events, N: f.N, Share: f.Rate, Interval: f.Interval}
	if s.Share != nil {
		s.Bounds = &department.Bounds{Missing: missing, Good: float64(count+missing) / float64(n+missing), Bad: float64(count) / float64(n+missing)}
	}
	return s
}

func figure(t *testing.T, events, n int) department.CountedFigure {
	t.Helper()
	if n < 25 {
		return department.CountedFigure{Events: events, N: n}
	}
	r, err := measure.NewRate(events, n)
	if err != nil {
		t.Fatal(err)
	}
	return department.CountedFigure{Events: events, N: n, Rate: &r.Rate, Interval: &r.Wilson}
}

func loss(t *testing.T, events, n, missing int) department.BoundedFigure {
	t.Helper()
	f := department.BoundedFigure{CountedFigure: figure(t, events, n)}
	if f.Rate != nil {
		f.Bounds = &department.Bounds{Missing: missing, Good: float64(events) / float64(n+missing), Bad: float64(events+missing) / float64(n+missing)}
	}
	return f
}

func bands(t *testing.T, at000, at030, n, missing int) department.AcuityBands {
	t.Helper()
	return department.AcuityBands{N: n, At000: share(t, at000, n, missing), At030: share(t, at030, n, missing)}
}

// vision is that of 120 eyes, of which 36 weren't seen again: exactly at the edge
// from which follow-up suffices.
func vision(t *testing.T) department.Vision {
	t.Helper()
	group := func(eyes, n, at000, at030, lost, known int) department.VisionGroup {
		return department.VisionGroup{Eyes: eyes, Before: bands(t, 2, eyes/4, eyes, 0), After: bands(t, at000, at030, n, eyes-n),
			Unaided: bands(t, at000/2, at030/2, n-1, eyes-n+1), Loss: loss(t, lost, known, eyes-known)}
	}
	return department.Vision{VisionGroup: group(120, 84, 40, 76, 3, 84), AllEyes: group(148, 100, 46, 90, 3, 100),
		ByCopathology: map[string]department.VisionGroup{department.WithoutCopathology: group(80, 60, 33, 57, 1, 60),
			department.WithCopathology: group(30, 20, 6, 16, 2, 20), department.UnknownCopathology: group(10, 4, 1, 3, 0, 4)},
		Excluded: map[string]int{outcome.NoAcuityAfter: 30, outcome.NoAcuityEither: 5, outcome.NoLightBefore: 1},
		Window:   department.Window{FromDay: 14, ToDay: 180}, CompleteTo: "2024-12-03", Comparable: true}
}

func refraction(t *testing.T) department.Refraction {
	t.Helper()
	mean, sd, absolute, median := -0.124, 0.436, 0.341, 0.27
	group := func(n, missing int) department.RefractionGroup {
		g := department.RefractionGroup{N: n, Within025: share(t, n/2, n, missing), Within050: share(t, n*3/4, n, missing), Within100: share(t, n-2, n, missing),
			Within200: share(t, n, n, missing), Target: department.TargetGroup{N: n, Within050: share(t, n*2/3, n, 0), Within100: share(t, n-3, n, 0)}}
		if n >= 25 {
			g.Mean, g.SD, g.MeanAbsolute, g.MedianAbsolute, g.Target.Mean = &mean, &sd, &absolute, &median, &mean
			below, above := -2.0, 2.0
			g.Classes = []department.ErrorClass{{To: &below, Count: 1}, {From: &below, To: &above, Count: n - 1}, {From: &above}}
		}
		return g
	}
	return department.Refraction{RefractionGroup: group(60, 40), BothEyes: group(81, 0), AllEyes: group(90, 58),
		Excluded:   map[string]int{department.OutSecondEye: 28, department.OutComplicated: 16, fold.NoRefraction: 40, fold.NoPredictionForLens: 4},
		ExcludedOf: map[string]int{fold.NoRefraction: 50, fold.NoPredictionForLens: 8},
		Window:     department.Window{FromDay: 28, ToDay: 120}, CompleteTo: "2025-02-01"}
}

func complications(t *testing.T) department.Complications {
	t.Helper()
	return department.Complications{N: 148, Uncomplicated: share(t, 130, 148, 0),
		ByKind:   map[string]department.CountedFigure{"posterior-capsule-rupture": figure(t, 15, 148), "iris-prolapse": figure(t, 3, 148)},
		Findings: map[string]department.CountedFigure{"cystoid-macular-oedema": figure(t, 2, 148), string(fold.EarlyCornealOedema): figure(t, 9, 148)},
		Returned: figure(t, 1, 148), UnplannedAttendance: figure(t, 4, 148), Endophthalmitis: 2}
}

func completeness(t *testing.T) department.Completeness {
	t.Helper()
	return department.Completeness{OperatingTime: figure(t, 148, 148), AcuityBefore: figure(t, 140, 148), AcuityAfter: figure(t, 100, 148),
		AcuityBoth: figure(t, 99, 148), Refraction: figure(t, 98, 148), PredictionError: figure(t, 90, 148), FollowupClosed: figure(t, 61, 148), Unfinished: 2}
}

// lensGroups are one constant that is off, one that is not, and one of few eyes.
func lensGroups(t *testing.T) []department.LensGroup {
	t.Helper()
	group := func(model string, constant float64, centre float64, n int) department.LensGroup {
		g := department.LensGroup{LensModel: model, Formula: "SRK/T", Biometer: "INVENTED-BIOMETER", Constant: &constant, N: n}
		if n < 25 {
			return g
		}
		off := make([]float64, n)
		for i := range off {
			off[i] = centre + float64(i%5-2)*0.2
		}
		result, err := measure.NewPredictionResult(off)
		if err != nil {
			t.Fatal(err)
		}
		check, err := measure.NewLensConstant(off, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		g.Errors, g.Check = &result, &check
		return g
	}
	off := group("INVENTED-1", 118.9, -0.2, 40)
	off.AConstant = &measure.AConstant{InUse: 118.9, Errors: *off.Check, PerUnit: 0.9, Zeroing: 118.67,
		Interval: measure.Interval{Lower: 118.57, Upper: 118.78}, Shift: -0.23}
	few := group("INVENTED-2", 119.1, 0, 7)
	few.Biometer, few.Constant = "", nil
	return []department.LensGroup{off, group("INVENTED-1 TORIC", 119, 0.01, 30), few}
}

func astigmatism(t *testing.T) department.Astigmatism {
	t.Helper()
	points := make([]measure.DoubleAngle, 30)
	for i := range points {
		points[i] = measure.DoubleAngle{X: -0.2 + float64(i%5-2)*0.1, Y: 0.05 + float64(i%3-1)*0.2}
	}
	centroid, err := measure.NewCentroid(points)
	if err != nil {
		t.Fatal(err)
	}
	inner, err := measure.ConfidenceEllipse(points, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	outer, err := measure.PredictionEllipse(points, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return department.Astigmatism{Settled: department.InducedGroup{N: 30, Centroid: &centroid, Confidence: &inner, Prediction: &outer},
		Early: department.InducedGroup{N: 12}, SettledWindow: department.Window{FromDay: 28, ToDay: 120}, EarlyWindow: department.Window{ToDay: 14},
		Excluded: map[string]int{outcome.NoKeratometrySettled: 100, department.ExcludedEyeUnknown: 1}}
}

func infections(n int) department.Infections {
	all := department.Infections{N: 3, WithinDays: 42, Infections: []department.Infection{
		{Case: "HB-2024-00417", OperatedOn: "2024-09-02", FoundOn: "2024-09-06", Days: 4, Certainty: "culture-proven"},
		{Case: "HB-2025-00011", OperatedOn: "2025-01-08", FoundOn: "2025-01-15", Days: 7, Certainty: "presumed"},
		{Case: "HB-2025-00031", OperatedOn: "2025-01-20", FoundOn: "2025-02-14", Days: 25}},
		Notices: []department.InfectionNotice{{Cases: []string{"HB-2025-00011", "HB-2025-00031"}, From: "2025-01-15", To: "2025-02-14"}}}
	if n < 3 {
		all.N, all.Infections, all.Notices = n, all.Infections[:n], nil
	}
	return all
}
