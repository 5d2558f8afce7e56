package analytics

import (
	"context"
	"errors"
	"testing"

	"lensledger/projections/alarm"
	"lensledger/projections/measure"
	"lensledger/services/web"
)

// What was worked out once is given again, up to a bound, the oldest forgotten.
func TestDesignsAreRemembered(t *testing.T) {
	d := newDesigns()
	of := func(i int) measure.DesignRequest {
		return measure.DesignRequest{Acceptable: 0.2, OddsRatio: 2, Threshold: 1 + float64(i)/1000}
	}
	first, err := d.get(t.Context(), of(0))
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= designsKept; i++ {
		if _, err := d.get(t.Context(), of(i)); err != nil {
			t.Fatal(err)
		}
		if i == 10 {
			// Used again, so the second is the oldest now.
			if again, err := d.get(t.Context(), of(0)); err != nil || &again.InControl.AlarmWithin[0] != &first.InControl.AlarmWithin[0] {
				t.Error("worked out twice")
			}
		}
	}
	if len(d.known) != designsKept || d.latest.Len() != designsKept {
		t.Errorf("%d and %d kept", len(d.known), d.latest.Len())
	}
	if again, err := d.get(t.Context(), of(0)); err != nil || &again.InControl.AlarmWithin[0] != &first.InControl.AlarmWithin[0] {
		t.Error("what was used was forgotten")
	}
}

// With all slots taken, nobody waits for ever, and what is known is still given.
func TestDesignsAreBounded(t *testing.T) {
	d := newDesigns()
	known := measure.DesignRequest{Acceptable: 0.2, OddsRatio: 2, Threshold: 1}
	if _, err := d.get(t.Context(), known); err != nil {
		t.Fatal(err)
	}
	for range designsAtATime {
		d.slots <- struct{}{}
	}
	if _, err := d.get(t.Context(), known); err != nil {
		t.Error(err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := d.get(gone, measure.DesignRequest{Acceptable: 0.2, OddsRatio: 3, Threshold: 1}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	_, err := d.get(t.Context(), measure.DesignRequest{Acceptable: 0.2, OddsRatio: 3, Threshold: 1})
	if web.Status(err) != 503 {
		t.Error(err)
	}
}

// A design at the edge of what an event allows has no run length; its chart is
// shown all the same.
func TestRunLengthsUnknown(t *testing.T) {
	s := &Service{lengths: newDesigns()}
	for _, d := range []alarm.Design{
		{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 50},
		{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.0201, Threshold: 3},
	} {
		c, err := s.chart(t.Context(), alarm.Chart{Design: d})
		if err != nil || c.Design.InControl != nil || c.CannotSee == "" {
			t.Errorf("%+v, %v", c, err)
		}
	}
	closing := alarm.Design{Kind: "competence", Acceptable: 0.05, Unacceptable: 0.1, Threshold: 2.42, ClosesAfter: 123}
	got, err := s.RunLengths(t.Context(), closing)
	if err != nil || got == nil || within(got.InControl, 123).Cases != 123 {
		t.Errorf("%+v, %v", got, err)
	}
}
