package projector_test

import (
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/projector"
)

// A publisher's clock is three hours off. Slow: its events count, in the order of
// what they say happened, and are recorded when they came. Fast: they wait in
// quarantine by rule, and nothing else is held up.
func TestAClockHoursOffHarmsNothingElse(t *testing.T) {
	r := newRegistry(t)
	now := time.Now().UTC().Truncate(time.Second)
	slow, fast := now.Add(-3*time.Hour), now.Add(3*time.Hour)
	r.publish(t, finished("f", "K-1", now), started("s", "K-1", "S-1", slow), ruptured("late", "K-1", fast), finished("g", "K-2", slow))
	r.run(t, 500)
	if d := r.dispositions(t); d[projector.Accepted] != 3 || d[projector.Quarantined] != 1 {
		t.Errorf("dispositions %v", d)
	}
	var reason string
	var misplaced int
	err := r.Pool.QueryRow(t.Context(), `SELECT (SELECT reason FROM quarantine),
		(SELECT count(*) FROM arrival WHERE recorded_at NOT BETWEEN $1::timestamptz - interval '1 minute' AND $1 + interval '5 minutes')`, now).Scan(&reason, &misplaced)
	if err != nil || reason != events.CodeTime || misplaced != 0 {
		t.Errorf("quarantined for %q; %d recorded at another time than they came; %v", reason, misplaced, err)
	}
	if n := len(r.contents(t)["operation"]); n < 1 {
		t.Errorf("%d operations: what the slow clock said isn't counted", n)
	}
}
