package measure

import (
	"math"
	"slices"
	"testing"
)

// checkDesign holds what every design must be.
func checkDesign(t *testing.T, d Design) {
	t.Helper()
	allFinite(t, "design", d.Threshold, d.Scores.Event, d.Scores.NoEvent, d.RelativeError)
	checkRunLength(t, d.InControl)
	checkRunLength(t, d.OutOfControl)
	if d.SteadyState != nil {
		allFinite(t, "late change", d.SteadyState.InControl, d.SteadyState.OutOfControl)
		if d.SteadyState.InControl < 1-1e-9 || d.SteadyState.OutOfControl < 1-1e-9 {
			t.Errorf("late change below one case: %+v", d.SteadyState)
		}
	}
	if d.List != nil {
		for _, list := range [][]AlarmWithin{d.List.InControl, d.List.OutOfControl} {
			last := 0.0
			for _, a := range list {
				if !(a.Chance >= last && a.Chance <= 1) {
					t.Errorf("chances in a list do not rise from 0 to 1: %+v", list)
				}
				last = a.Chance
			}
		}
	}
	if d.Boundary != nil {
		allFinite(t, "boundary", d.Boundary.Limits.Lower, d.Boundary.Limits.Upper, d.Boundary.Events.S, d.Boundary.Events.H1, d.Boundary.Events.H0,
			d.Boundary.InControl.CasesToEnd, d.Boundary.OutOfControl.CasesToEnd)
	}
}

func FuzzDesignKinds(f *testing.F) {
	f.Add(byte(0), 0.02, 0.04, 0.5, 2.0, 0.0, 0.0, 0.0, 50)
	f.Add(byte(1), 0.9, 0.0, 0.5, 0.0, 1.0, 0.1, 0.1, 20)
	f.Add(byte(7), 0.05, 0.1, 0.0, 0.0, 0.0, 0.05, 0.2, 1)
	f.Add(byte(12), 0.01, 0.3, 2.0, 1.0, 0.5, 0.0, 0.0, 3)
	f.Add(byte(28), 0.001, 0.4, 900.0, 1e-3, 0.0, 0.3, 0.0, -4)
	f.Fuzz(func(t *testing.T, kind byte, p0, p1, oddsRatio, threshold, head, alpha, beta float64, cases int) {
		r := DesignRequest{Unacceptable: p1, OddsRatio: oddsRatio, Threshold: threshold, HeadStart: head, Alpha: alpha, Beta: beta,
			AlarmWithin: []int{cases, 1 + cases%300}, SteadyState: kind&16 != 0}
		if kind&1 != 0 {
			r.Direction = Down
		}
		r.Kind = []Kind{Detection, Competence, "", Boundary}[kind>>1&3]
		if kind&8 != 0 {
			r.Unacceptable, r.Risks = 0, []float64{p0, p1, p0, p1, p1}
		} else {
			r.Acceptable = p0
		}
		d, err := NewDesign(r)
		if orRefused(t, err) {
			checkDesign(t, d)
		}
	})
}

func FuzzSteadyState(f *testing.F) {
	f.Add(0.7, -0.02, 3.0, 0.02, 0.04)
	f.Add(-0.7, 0.05, 2.0, 0.1, 0.05)
	f.Add(1e-9, -1e9, 1e6, 1e-12, 0.5)
	f.Add(5.0, -5.0, 1.0, 0.5, 0.999999)
	f.Fuzz(func(t *testing.T, event, noEvent, threshold, before, after float64) {
		got, err := Chart{Scores: Scores{event, noEvent}, Threshold: threshold}.SteadyState(before, after)
		if orRefused(t, err) {
			allFinite(t, "late change", got)
			if got < 1-1e-9 {
				t.Errorf("%g cases", got)
			}
		}
		mix := MixChart{Mix: []MixPoint{{math.Abs(before), .5}, {math.Abs(after), .5}}, OddsRatio: math.Abs(event), Threshold: threshold}
		got, off, err := mix.SteadyState(1, mix.OddsRatio)
		if orRefused(t, err) {
			allFinite(t, "late change of a mix", got, off)
		}
	})
}

func FuzzMixRunLength(f *testing.F) {
	f.Add(0.01, 0.05, 2.0, 3.0, 1.0, 0.5, false, 200)
	f.Add(0.3, 0.300001, 1.01, 0.001, 0.5, 0.0, true, 1)
	f.Add(1e-9, 0.999, 900.0, 19.0, 1000.0, 18.0, false, 50)
	f.Fuzz(func(t *testing.T, p1, p2, oddsRatio, threshold, trueOddsRatio, head float64, competence bool, n int) {
		chart := MixChart{Mix: []MixPoint{{p1, .3}, {p2, .7}}, OddsRatio: oddsRatio, Threshold: threshold, HeadStart: head, Competence: competence}
		if n > 500 {
			n %= 500
		}
		got, err := chart.RunLength(trueOddsRatio, n)
		if orRefused(t, err) {
			checkRunLength(t, got.RunLength)
			allFinite(t, "error", got.RelativeError)
		}
	})
}

func FuzzFalseAlarmsAYear(f *testing.F) {
	f.Add(1000.0, 300.0)
	f.Add(math.Inf(1), math.NaN())
	f.Fuzz(func(t *testing.T, average, cases float64) {
		got, err := FalseAlarmsAYear([]ChartInUse{{RunLength{AverageRunLength: average}, cases}, {RunLength{AverageRunLength: 500}, 100}})
		if orRefused(t, err) {
			allFinite(t, "false alarms", got)
		}
	})
}

func FuzzPathFrom(f *testing.F) {
	f.Add(0.3, -0.1, 2.0, uint64(0xF0F0), 20)
	f.Fuzz(func(t *testing.T, event, noEvent, threshold float64, outcomes uint64, known int) {
		scores := make([]float64, 64)
		for i := range scores {
			scores[i] = Scores{event, noEvent}.Of(outcomes>>i&1 == 1)
			if (Scores{event, noEvent}).Reversed().Reversed() != (Scores{event, noEvent}) && event == event && noEvent == noEvent {
				t.Error("reversed twice differs")
			}
		}
		whole, err := Path(scores, threshold)
		if !orRefused(t, err) {
			return
		}
		known = int(uint(known) % 65)
		again, err := PathFrom(whole[:known], scores, threshold)
		if !orRefused(t, err) {
			return
		}
		if !slices.Equal(whole, again) {
			t.Errorf("from case %d on the path differs", known)
		}
	})
}

func FuzzAlarms(f *testing.F) {
	f.Add(0.05, 2.0, 3.0, 0.0, 0.1, 50)
	f.Fuzz(func(t *testing.T, p0, oddsRatio, threshold, headStart, p float64, limit int) {
		scores, err := LLR(p0, oddsRatio)
		if !orRefused(t, err) || limit > 300 || threshold > 20 {
			return
		}
		chances, err := Chart{scores, threshold, headStart}.Alarms(p, limit)
		if !orRefused(t, err) {
			return
		}
		allFinite(t, "chances", chances...)
		for i := 1; i < len(chances); i++ {
			if chances[i] < chances[i-1]-1e-12 || chances[i] > 1+1e-9 {
				t.Fatalf("chance %g after %g", chances[i], chances[i-1])
			}
		}
	})
}
