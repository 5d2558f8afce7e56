package portal

import (
	"testing"

	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// funnelOf has a unit inside, one above and one below the limits, and one of too
// few cases.
func funnelOf(t *testing.T) department.Funnel {
	t.Helper()
	limits, err := measure.NewFunnel(measure.FunnelRequest{Target: 0.02, MinimumCases: measure.FunnelMinimum, Units: []measure.Unit{
		{Code: "FENLAND", Events: 20, N: 400}, {Code: "HARBOUR", Events: 12, N: 610}, {Code: "MOORLAND", Events: 5, N: 600}, {Code: "SHORE", Events: 1, N: 49}}})
	if err != nil {
		t.Fatal(err)
	}
	reference, events, n, combined := measure.Reference2016To2022(), 38, 1659, 14
	rate, least, most := 0.019, 0.41, 0.67
	f := department.Funnel{Outcome: "capsule-rupture", By: "department", From: "2024-07-01", To: "2025-06-30", TargetRule: department.TargetExpected,
		Reference: &reference, Units: 4, Events: &events, N: &n, Limits: &limits, Excluded: map[string]*int{fold.ExcludedCombined: &combined, fold.ExcludedUnder18: nil},
		Suppressed: []string{"VALLEY"}}
	for _, p := range limits.Points {
		f.Adjusted = append(f.Adjusted, department.AdjustedUnit{Code: p.Code, Expected: 0.02 * float64(p.N), AdjustedRate: &rate, ChanceAtLeast: &least, ChanceAtMost: &most})
	}
	f.Adjusted[2].ChanceAtLeast, f.Adjusted[2].ChanceAtMost = nil, nil
	return f
}

// riskCheck has many ruptures, each the likelier the higher the risk; or too few.
func riskCheck(t *testing.T, ruptures int) department.RiskModelCheck {
	t.Helper()
	model := measure.DefaultModel()
	c := department.RiskModelCheck{Model: model.Name, Version: model.Version, N: 148, Events: 7, Excluded: map[string]int{fold.ExcludedCombined: 4},
		Refused: &department.ModelRefusal{Why: "too few", Events: 7, Needed: 10}, NoProposal: &department.ModelRefusal{Why: "too few", Events: 7, Needed: 100}}
	if ruptures == 0 {
		return c
	}
	var predictors []float64
	var happened []bool
	for i := range 40 * ruptures {
		predictors, happened = append(predictors, float64(i%20)/10), append(happened, i%40 == 39 || i%200 == 7)
	}
	r, err := measure.Recalibrate(model, predictors, happened, measure.RecalibrationRequest{Name: model.Name, Version: "own", Population: "invented", MinimumEvents: 100})
	if err != nil {
		t.Fatal(err)
	}
	c.N, c.Events, c.Refused, c.NoProposal = len(happened), r.Before.Events, nil, nil
	c.Calibration, c.Deciles, c.HosmerLemeshow = &r.Before, r.Deciles, &r.HosmerLemeshow
	c.Proposal = &department.ModelProposal{Name: r.Model.Name, Version: r.Model.Version, Population: r.Model.Population, From: r.From, ReferenceRisk: r.Model.ReferencePRef,
		ReferenceRate: r.Model.ReferenceRate, Intercept: r.Intercept, Slope: r.Slope, After: r.After, Deciles: r.Deciles, HosmerLemeshow: r.HosmerLemeshow}
	return c
}

func reconciliation(theatre *department.TheatreCount) department.Reconciliation {
	missing := func(known, waiting int, reasons map[string]int) department.MissingFollowUp {
		m := department.MissingFollowUp{Known: known, Waiting: waiting, ByReason: reasons, Closed: map[string]int{}}
		for _, n := range reasons {
			m.Missing += n
		}
		if m.Missing > 1 {
			m.Closed = map[string]int{"open": m.Missing - 1, "died": 1}
		}
		return m
	}
	return department.Reconciliation{Recorded: 148, Theatre: theatre, NotStarted: []department.OpenCase{{Case: "HB-2025-00500", On: "2025-05-20"}},
		NotEnded: []department.OpenCase{{Case: "HB-2025-00431", On: "2025-03-14"}, {Case: "HB-2025-00444", On: "2025-03-20"}},
		FollowUp: department.FollowUp{N: 144, AcuityBefore: missing(140, 0, map[string]int{"not-recorded": 4}), AcuityAfter: missing(100, 20, map[string]int{outcome.NoAcuityAfter: 24}),
			Refraction:  missing(98, 16, map[string]int{fold.NoRefraction: 28, fold.OnlyObjective: 2}),
			Keratometry: missing(30, 14, map[string]int{outcome.NoKeratometrySettled: 99, outcome.NoMeridian: 1})},
		Checks: []outcome.PatientCheck{{Code: outcome.SameEyeTwice, Patient: "P-1", Cases: [2]string{"HB-2025-00011", "HB-2025-00090"},
			Detail: "two operations on the left eye: codes to join, a wrong eye, or a second operation"}}}
}

// sideBySide is a department of many operations beside one of few.
func sideBySide(t *testing.T, suppressed bool) department.Figures {
	t.Helper()
	row := func(code string, events, n int, hidden bool) department.FigureRow {
		f := figure(t, events, n)
		shown := department.ShownFigure{Events: &events, N: &n, Rate: f.Rate, Interval: f.Interval}
		share := department.ShownShare{Count: &events, N: &n, Share: f.Rate, Interval: f.Interval}
		if hidden {
			shown.Events, shown.Rate, shown.Interval = nil, nil, nil
			share = department.ShownShare{}
		}
		combined := &events
		if hidden {
			combined = nil
		}
		r := department.FigureRow{Department: code, Operations: &n, Takeover: shown, Excluded: map[string]*int{fold.ExcludedCombined: combined},
			CapsuleRupture: department.ShownRupture{ShownFigure: shown, AdjustedRate: shown.Rate, AdjustedCI: shown.Interval},
			Vision:         department.ShownVision{Eyes: &n, At000: share, At030: share, Loss: shown},
			Refraction:     department.ShownRefraction{N: &n, Within050: share, Within100: share},
			Complications:  department.ShownComplications{Any: shown, Returned: shown, UnplannedAttendance: shown, Endophthalmitis: shown},
			Completeness:   department.ShownCompleteness{OperatingTime: shown, AcuityBoth: shown, Refraction: shown}}
		return r
	}
	out := department.Figures{From: "2024-07-01", To: "2025-06-30", Rows: []department.FigureRow{row("HARBOUR", 15, 148, suppressed), row("MOORLAND", 2, 40, suppressed)},
		Total: row(department.AllDepartments, 17, 188, false)}
	out.Excluded = out.Total.Excluded
	if suppressed {
		out.Suppression = department.SuppressionRule{Applied: true, Threshold: 10, Rule: "Counts from 1 to 9 are held back.", Source: "invented source"}
	}
	return out
}
