package projector_test

import (
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// peerHistory is one operation of each of some trainees, whose capsulorhexis took
// 100, 110, 120, ... seconds.
func peerHistory(trainees int) []events.Event {
	var m maker
	m.department = "HARBOUR"
	start := time.Date(2025, 3, 1, 9, 0, 0, 0, time.UTC)
	for i := range trainees {
		who := events.Code(fmt.Sprintf("T-%d", i+1))
		m.add(events.TypeSurgeonEnrolled, string(who), start.AddDate(-1, 0, 0), &events.SurgeonEnrolled{Post: "trainee", PriorWholeCases: events.Some[int64](2)})
		m.operate(who, start.AddDate(0, 0, i), time.Duration(100+10*i)*time.Second)
	}
	// One with more cases than the band, and one whose count isn't on record.
	m.add(events.TypeSurgeonEnrolled, "T-90", start.AddDate(-1, 0, 0), &events.SurgeonEnrolled{Post: "trainee", PriorWholeCases: events.Some[int64](12)})
	m.operate("T-90", start, 900*time.Second)
	m.operate("T-91", start, 900*time.Second)
	// One who leaves the last band with the second operation.
	m.add(events.TypeSurgeonEnrolled, "T-95", start.AddDate(-1, 0, 0), &events.SurgeonEnrolled{Post: "fellow", PriorWholeCases: events.Some[int64](399)})
	m.operate("T-95", start, 50*time.Second)
	m.operate("T-95", start.AddDate(0, 0, 1), 60*time.Second)
	return m.es
}

func (m *maker) operate(who events.Code, at time.Time, rhexis time.Duration) {
	code := "K-" + string(who) + at.Format("-0102")
	m.add(events.TypeCaseStarted, code, at, &events.CaseStarted{FirstOperator: who})
	m.add(events.TypeStepStarted, code, at.Add(time.Minute), &events.StepStarted{Step: events.StepCapsulorhexis, Operator: who})
	m.add(events.TypeStepFinished, code, at.Add(time.Minute+rhexis), &events.StepFinished{Step: events.StepCapsulorhexis, Operator: who})
	m.add(events.TypeCaseFinished, code, at.Add(time.Hour), &events.CaseFinished{})
}

func peers(t *testing.T, r *registry, role, surgeon string) []learning.Peer {
	t.Helper()
	var out []learning.Peer
	actor := pg.Actor{Role: role, Departments: []string{"HARBOUR"}, Surgeons: []string{surgeon}}
	err := pg.AsActor(t.Context(), r.Pool, actor, func(tx pgx.Tx) (err error) {
		out, err = learning.Peers(t.Context(), tx, surgeon, learning.Bands[0])
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The middle half of others at the same count: of six others with 110, 120, ...,
// 160 seconds the quartiles by rule 7 are 122.5, 135 and 147.5 (R 4.5,
// quantile(c(110, 120, 130, 140, 150, 160))). With four others nothing is shown,
// and no person's role reads any of it.
func TestPeers(t *testing.T) {
	r := newRegistry(t)
	es := peerHistory(7)
	r.publish(t, es...)
	r.run(t, 5)
	r.noQuarantine(t)
	got := peers(t, r, "figures", "T-1")
	if len(got) != 1 || got[0].Hidden || *got[0].Others != 6 || *got[0].Runs != 6 ||
		*got[0].Lower != 122.5 || *got[0].Median != 135 || *got[0].Upper != 147.5 {
		t.Errorf("peers of T-1: %+v", got)
	}
	for _, role := range []string{"quality", "trainer", "trainee", "auditor", "administrator", "integrator"} {
		if got := peers(t, r, role, "T-1"); len(got) != 0 {
			t.Errorf("%s reads peer bands: %+v", role, got)
		}
	}
	// Two runs taken back leave four others. An operation taken back moves the next
	// one of T-95 into the last band, live as rebuilt.
	band := func() (steps learning.Seconds) {
		err := r.Pool.QueryRow(t.Context(), "SELECT seconds FROM peer_band WHERE surgeon = 'T-95'").Scan(&steps)
		if err != nil {
			t.Fatal(err)
		}
		return steps
	}
	if got := band(); !slices.Equal(got, learning.Seconds{50}) {
		t.Errorf("T-95 has %v in the last band, want the one of case 400", got)
	}
	var m maker
	m.department, m.es = "HARBOUR", es
	for _, e := range es {
		finished := e.Type == events.TypeStepFinished
		if e.Subject == "K-T-7-0307" && finished || e.Subject == "K-T-6-0306" && finished || e.Subject == "K-T-95-0301" && e.Type == events.TypeCaseStarted {
			m.correct(events.TypeEventRetracted, e, e.Time.Add(time.Hour), &events.EventRetracted{TargetSource: events.Code(e.Source), TargetID: events.ID(e.ID)})
		}
	}
	r.publish(t, m.es[len(es):]...)
	r.run(t, 5)
	got = peers(t, r, "figures", "T-1")
	if len(got) != 1 || !got[0].Hidden || got[0].Others != nil || got[0].Runs != nil || got[0].Median != nil {
		t.Errorf("four others show: %+v", got)
	}
	if got := band(); !slices.Equal(got, learning.Seconds{60}) {
		t.Errorf("T-95 has %v in the last band, want that of the case that moved into it", got)
	}
	v, err := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)}).Verify(t.Context())
	if err != nil || !v.Equal() {
		t.Errorf("live and rebuilt differ: %v %v", v.Differing(), err)
	}
}
