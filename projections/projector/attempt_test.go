package projector_test

import (
	"fmt"
	"testing"
	"time"

	"lensledger/events"
)

// An event that ends the process is found by those that start after it: it goes to
// quarantine, its neighbours are taken, and both records survive.
func TestEventThatEndsTheProcess(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: starts processes")
	}
	r := newOpenRegistry(t)
	var good []events.Event
	for i := range 30 {
		id := fmt.Sprintf("n%02d", i)
		good = append(good, started(id, "K-"+id, "S-1", morning.Add(time.Duration(i)*time.Hour)))
	}
	bad := started("deadly-one", "K-D", "S-1", morning)
	worse := started("deadly-two", "K-E", "S-1", morning)
	r.publish(t, good[:12]...)
	r.publish(t, bad)
	r.publish(t, good[12:20]...)
	r.publish(t, worse)
	r.publish(t, good[20:]...)
	starts := 0
	for settled := false; !settled; {
		if starts++; starts > 20 {
			t.Fatal("the projector is started again and again and comes no further")
		}
		c := r.child(t, "project", childDeadly, "deadly-", childLease, "1s")
		tick := time.NewTicker(20 * time.Millisecond)
		for alive := true; alive && !settled; {
			select {
			case <-c.ended:
				alive = false
				if code := c.cmd.ProcessState.ExitCode(); code != deadly {
					t.Fatalf("the projector ended with %d", code)
				}
			case <-tick.C:
				var at int64
				if err := r.Pool.QueryRow(t.Context(), "SELECT position FROM stream_state").Scan(&at); err != nil {
					t.Fatal(err)
				}
				settled = at == int64(len(good)+2)
			}
		}
		tick.Stop()
		c.kill(t)
	}
	t.Logf("started %d times", starts)
	if d := r.dispositions(t); d["accepted"] != len(good) || d["quarantined"] != 2 {
		t.Errorf("dispositions %v", d)
	}
	var found, problem, body string
	err := r.Pool.QueryRow(t.Context(), `SELECT string_agg(sequence || ' ' || reason, ', ' ORDER BY sequence), min(problems::text),
		min(convert_from(body, 'UTF8')) FILTER (WHERE sequence = 13) FROM quarantine`).Scan(&found, &problem, &body)
	if err != nil || found != "13 poison, 22 poison" || body != string(bad.Encode()) {
		t.Errorf("quarantine: %s %s %s: %v", found, problem, body, err)
	}
	r.checkBooks(t)
	// Put right, it is taken: a release sends it again.
	released, err := r.projector().Release(t.Context(), 13, nil)
	if err != nil || released != uint64(len(good)+3) {
		t.Fatalf("released as %d: %v", released, err)
	}
	r.run(t, 500)
	if d := r.dispositions(t); d["accepted"] != len(good)+1 {
		t.Errorf("dispositions after the release %v", d)
	}
}

// Starts that end in order, or that find nothing to do, count as no end of the
// process: however often a quiet registry is restarted, its next event is taken.
func TestOrderlyRestartsAreNotCounted(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, started("a", "K-1", "S-1", morning))
	for range 8 {
		r.run(t, 500)
	}
	// Postgres refuses for a reason that isn't the event's: the projector stops.
	if _, err := r.Pool.Exec(t.Context(), "ALTER TABLE arrival RENAME TO away"); err != nil {
		t.Fatal(err)
	}
	r.publish(t, finished("b", "K-1", morning.Add(time.Hour)))
	for range 8 {
		if err := r.projector().RunToEnd(t.Context()); err == nil {
			t.Fatal("no error without the archive")
		}
	}
	var starts, tries int
	if err := r.Pool.QueryRow(t.Context(), "SELECT attempt_starts, attempt_tries FROM stream_state").Scan(&starts, &tries); err != nil || starts > 0 || tries > 0 {
		t.Errorf("on record are %d starts and %d tries: %v", starts, tries, err)
	}
	if _, err := r.Pool.Exec(t.Context(), "ALTER TABLE away RENAME TO arrival"); err != nil {
		t.Fatal(err)
	}
	r.run(t, 500)
	r.noQuarantine(t)
	if d := r.dispositions(t); d["accepted"] != 2 {
		t.Errorf("dispositions %v", d)
	}
}
