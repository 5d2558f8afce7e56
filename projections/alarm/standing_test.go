package alarm

import (
	"math"
	"testing"
	"time"

	"lensledger/projections/learning"
)

// Expected values come from an independent exact recursion of the run length
// (alarm at or above the line, start at zero); medians are whole cases, 0 where it gives none.
func TestLengths(t *testing.T) {
	for _, c := range []struct {
		code                    string
		within                  int
		falseWithin, seenMedian float64
	}{
		{"standard-rupture-trainees", 100, 0.049, 0},
		{"standard-rupture-independent", 300, 0.05, 0},
		{"standard-rupture-competence", 300, 0.10, 149},
		{"standard-takeover-competence", 100, 0.10, 28},
		{"standard-refraction-miss", 1000, 0.05, 0},
	} {
		for _, d := range append(DepartmentStandards(), Standards...) {
			if d.Code != c.code {
				continue
			}
			l := d.Lengths()
			if !l.Known || l.Within != c.within || math.Abs(l.FalseWithin-c.falseWithin) > 0.003 || (c.seenMedian > 0 && math.Abs(l.OutOfControl.MedianRunLength-c.seenMedian) > 1) {
				t.Errorf("%s: %+v, want %+v", c.code, l, c)
			}
			if again := d.Lengths(); again.FalseWithin != l.FalseWithin || again.SeenWithin != l.SeenWithin {
				t.Errorf("%s: %+v the second time, %+v the first", c.code, again, l)
			}
		}
	}
	if l := (Design{Kind: "detection", Acceptable: 0.03, Unacceptable: 0.03, Threshold: 2}).Lengths(); l.Known {
		t.Errorf("a design that can't be worked out: %+v", l)
	}
}

func TestStates(t *testing.T) {
	listed := func(restarted bool, reviews ...ReviewRow) *Listed {
		return &Listed{Row: Row{CaseNumber: 57, Value: 2_410_000, Threshold: 2_360_000}, Restarted: restarted, Reviews: reviews}
	}
	for _, c := range []struct {
		name string
		at   Standing
		want State
	}{
		{"few", Standing{Kind: "detection", Cases: 24, Line: 2.36}, StateTooFew},
		{"few, but crossed", Standing{Kind: "detection", Cases: 9, Value: 2.5, Line: 2.36, Alarm: listed(false)}, StateCrossed},
		{"quiet", Standing{Kind: "detection", Cases: 25, Value: 1.76, Line: 2.36}, StateNoSignal},
		{"near", Standing{Kind: "detection", Cases: 25, Value: 1.78, Line: 2.36}, StateNear},
		{"a tenth of the outcomes unknown", Standing{Kind: "detection", Cases: 45, LeftOut: 5, Line: 2.36}, StateDataLate},
		{"less than a tenth", Standing{Kind: "detection", Cases: 46, LeftOut: 5, Line: 2.36}, StateNoSignal},
		{"two unknown are too few to tell", Standing{Kind: "detection", Cases: 10, LeftOut: 2, Line: 2.36}, StateTooFew},
		{"crossed, and data late", Standing{Kind: "detection", Cases: 30, LeftOut: 20, Line: 2.36, Alarm: listed(false)}, StateCrossed},
		{"eyes, 30 of 100 not seen again", Standing{Kind: "detection", Group: true, Cases: 70, LeftOut: 30, Line: 6.2}, StateNoSignal},
		{"eyes, 31 of 100", Standing{Kind: "detection", Group: true, Cases: 69, LeftOut: 31, Line: 6.2}, StateDataLate},
		{"eyes, at the line", Standing{Kind: "detection", Group: true, Cases: 90, Line: 6.2, Reached: true, ReachedAt: &Point{}}, StateCrossed},
		{"reviewed", Standing{Kind: "detection", Cases: 80, Value: 2.5, Line: 2.36, Alarm: listed(false, ReviewRow{Finding: "case-mix"})}, StateReviewed},
		{"over once and under again, still for review", Standing{Kind: "detection", Cases: 80, Line: 2.36, Alarm: listed(false)}, StateCrossed},
		{"restarted, no case since", Standing{Kind: "detection", Cases: 80, Value: 2.5, Line: 2.36, Alarm: listed(true), Restarted: true}, StateRestarted},
		{"restarted, cases since", Standing{Kind: "detection", Cases: 80, Value: 0.5, Line: 2.36, Alarm: listed(true)}, StateNoSignal},
		{"closed", Standing{Kind: "competence", Cases: 300, Value: 1, Line: 3.58, Closed: true}, StateClosed},
		{"reached, then closed", Standing{Kind: "competence", Cases: 300, Value: 4, Line: 3.58, Reached: true, Closed: true}, StateReached},
		{"not reached", Standing{Kind: "competence", Cases: 30, Value: 3.5, Line: 3.58}, StateNotReached},
	} {
		if got := c.at.State(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// What was recorded about a signal moves nothing that a chart is drawn of: the
// climb is the cases since the chart last stood at zero, whose scores add up.
func TestClimb(t *testing.T) {
	d := Design{Outcome: "capsule-rupture", Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 1.5}
	entries := []learning.Entry{entry(0, true), entry(1, false)}
	for i := range 40 {
		entries = append(entries, entry(2+i, false))
	}
	entries = append(entries, entry(50, true), entry(51, false), entry(52, true))
	c := Compute(learning.Surgeon{Surgeon: "S-1"}, d, entries, nil)
	// ln(0.05/0.02) is 0.916291 and ln(0.95/0.98) is -0.031091: the first rupture is
	// worn off after 30 cases without one.
	climb := c.Climb()
	if climb.Cases != 3 || climb.Events != 2 || math.Abs(c.Value()-(2*0.916290732-0.031090587)) > 1e-8 || math.Abs(climb.Expected-0.06) > 1e-12 ||
		math.Abs(climb.With-2*0.916290732) > 1e-8 || math.Abs(climb.Without+0.031090587) > 1e-8 || !climb.From.Equal(entries[42].StartedAt) {
		t.Errorf("%+v, chart at %v", climb, c.Value())
	}
	if l := climb.Largest; len(l) != 3 || l[0].Case != entries[42].CaseCode || l[1].Case != entries[44].CaseCode || l[2].Outcome != 0 {
		t.Errorf("%+v", l)
	}
	if c := Compute(learning.Surgeon{Surgeon: "S-1"}, d, entries[:40], nil); c.Climb().From != nil || c.Climb().Cases != 0 {
		t.Errorf("at zero: %+v", c.Climb())
	}
	// The case after a restart begins a climb of its own.
	c = Compute(learning.Surgeon{Surgeon: "S-1"}, d, []learning.Entry{entry(0, true), entry(1, true)}, nil)
	restarted := Compute(learning.Surgeon{Surgeon: "S-1"}, d, []learning.Entry{entry(0, true), entry(1, true)}, []time.Time{entry(0, true).StartedAt.Add(1)})
	if c.Climb().Cases != 2 || restarted.Climb().Cases != 1 {
		t.Errorf("%d cases without a restart, %d after one", c.Climb().Cases, restarted.Climb().Cases)
	}
}
