package projector_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

func (r *registry) projector() *projector.Projector {
	return projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
}

func (r *registry) dispositions(t testing.TB) map[string]int {
	t.Helper()
	rows, err := r.Pool.Query(t.Context(), "SELECT disposition, count(*) FROM arrival GROUP BY disposition")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	var d string
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&d, &n}, func() error { out[d] = n; return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

func started(id, subject, operator string, at time.Time) events.Event {
	return events.Event{ID: id, Source: "ehr-harbour", Type: events.TypeCaseStarted, Subject: subject, Department: "HARBOUR", Time: at,
		Data: &events.CaseStarted{FirstOperator: events.Code(operator)}}
}

func finished(id, subject string, at time.Time) events.Event {
	return events.Event{ID: id, Source: "ehr-harbour", Type: events.TypeCaseFinished, Subject: subject, Department: "HARBOUR", Time: at,
		Data: &events.CaseFinished{}}
}

func ruptured(id, subject string, at time.Time) events.Event {
	return events.Event{ID: id, Source: "ehr-harbour", Type: events.TypeComplicationRecorded, Subject: subject, Department: "HARBOUR", Time: at,
		Data: &events.ComplicationRecorded{Kind: events.KindCapsuleRupture}}
}

var morning = time.Date(2025, 3, 12, 9, 0, 0, 0, time.UTC)

// What can't be read is set aside with its bytes and reason, the rest goes on, and
// a program that understands it sends it again at a new position.
func TestUnreadableEventsWaitInQuarantine(t *testing.T) {
	r := newRegistry(t)
	newer := []byte(strings.ReplaceAll(string(started("n1", "K-1", "S-1", morning).Encode()), "case.started.v1", "case.started.v7"))
	foreign := started("f1", "K-2", "S-1", morning)
	for i, out := range []stream.Outgoing{
		{Subject: "cases.v1.ehr-harbour.HARBOUR.case.started", MessageID: "1", Data: newer},
		{Subject: "cases.v1.ehr-harbour.HARBOUR.case.started", MessageID: "2", Data: []byte(`{"half`)},
		{Subject: "cases.v1.ehr-other.HARBOUR.case.started", MessageID: "3", Data: foreign.Encode()},
		{Subject: "cases.v1.ehr-harbour.HARBOUR.case.started", MessageID: "4", Data: started("late", "K-3", "S-1", time.Now().Add(time.Hour)).Encode()},
	} {
		if _, err := r.stream.Publisher().Publish(t.Context(), out); err != nil {
			t.Fatal(i, err)
		}
	}
	r.publish(t, started("g1", "K-9", "S-1", morning))
	r.run(t, 500)
	rows, err := r.Pool.Query(t.Context(), "SELECT sequence, reason, body FROM quarantine ORDER BY sequence")
	if err != nil {
		t.Fatal(err)
	}
	type set struct {
		Sequence int64
		Reason   string
		Body     []byte
	}
	got, err := pgx.CollectRows(rows, pgx.RowToStructByName[set])
	if err != nil {
		t.Fatal(err)
	}
	want := []string{events.CodeNewerVersion, events.CodeNotJSON, events.CodeSubject, events.CodeTime}
	for i, w := range want {
		if len(got) <= i || got[i].Reason != w {
			t.Fatalf("quarantine %d: %+v, want %s", i, got, w)
		}
	}
	if string(got[0].Body) != string(newer) {
		t.Error("the bytes in quarantine are not those received")
	}
	if d := r.dispositions(t); d[projector.Accepted] != 1 || d[projector.Quarantined] != 4 {
		t.Errorf("dispositions %v: one good event among four", d)
	}
	// Not understood yet: it stays.
	var refused *projector.StillRefused
	if _, err := r.projector().Release(t.Context(), 1, nil); !errors.As(err, &refused) {
		t.Errorf("release of what can't be read: %v", err)
	}
	// An upgrade, as far as the registry can tell: the stored bytes now read.
	if _, err := r.Pool.Exec(t.Context(), "UPDATE quarantine SET body = $1 WHERE sequence = 1", started("n1", "K-1", "S-1", morning).Encode()); err != nil {
		t.Fatal(err)
	}
	r.run(t, 500)
	r.run(t, 500)
	var at, recorded int64
	if err := r.Pool.QueryRow(t.Context(), "SELECT q.released_as, l.sequence FROM quarantine q JOIN event_log l ON l.id = 'n1' WHERE q.sequence = 1").Scan(&at, &recorded); err != nil {
		t.Fatal(err)
	}
	if at != 6 || recorded != 6 {
		t.Errorf("released as %d, archived as %d; want the next position, 6", at, recorded)
	}
	if _, err := r.projector().Release(t.Context(), 1, nil); !errors.Is(err, projector.ErrReleased) {
		t.Errorf("released twice: %v", err)
	}
}

// A publisher's own word keeps an event in quarantine until somebody says what it
// stands for: then the event counts, from a new position on.
func TestAMappedWordIsReplayed(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, started("s1", "K-1", "S-1", morning), finished("s2", "K-1", morning.Add(time.Hour)))
	body := []byte(`{"specversion":"1.0","id":"c1","source":"ehr-harbour","type":"lensledger.complication.recorded.v1","subject":"K-1",` +
		`"department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json","data":{"kind":"pc-tear","vitreous":"loss"}}`)
	if _, err := r.stream.Publisher().Publish(t.Context(), stream.Outgoing{Subject: "cases.v1.ehr-harbour.HARBOUR.complication.recorded", MessageID: "c1", Data: body}); err != nil {
		t.Fatal(err)
	}
	r.run(t, 500)
	ruptures := func() (n int) {
		t.Helper()
		if err := r.Pool.QueryRow(t.Context(), "SELECT count(*) FROM "+r.Base+"_model.operation WHERE rupture").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	release := func(found, meant string) error {
		_, err := r.projector().Release(t.Context(), 3, &archive.Exchange{By: "q-1", Mappings: []events.Mapping{{Pointer: "/data/kind", Found: found, Meant: meant}}})
		return err
	}
	var refused *projector.StillRefused
	for found, meant := range map[string]string{"pcr": "posterior-capsule-rupture", "pc-tear": "tear"} {
		if err := release(found, meant); !errors.As(err, &refused) || refused.Problems[0].Pointer != "/data/kind" {
			t.Errorf("%s for %s: %v", meant, found, err)
		}
	}
	if n := ruptures(); n != 0 {
		t.Errorf("%d ruptures before the mapping", n)
	}
	if err := release("pc-tear", "posterior-capsule-rupture"); err != nil {
		t.Fatal(err)
	}
	r.run(t, 500)
	if n := ruptures(); n != 1 {
		t.Errorf("%d ruptures after the mapping", n)
	}
	var kept []byte
	var as int64
	var by, meant string
	if err := r.Pool.QueryRow(t.Context(), "SELECT body, released_as, mapping->>'by', mapping->'mappings'->0->>'meant' FROM quarantine").Scan(&kept, &as, &by, &meant); err != nil {
		t.Fatal(err)
	}
	if string(kept) != string(body) || as != 4 || by != "q-1" || meant != "posterior-capsule-rupture" {
		t.Errorf("kept %s, released as %d by %s for %s", kept, as, by, meant)
	}
	if err := release("pc-tear", "posterior-capsule-rupture"); !errors.Is(err, projector.ErrReleased) {
		t.Errorf("released twice: %v", err)
	}
}

// One identity with other content is a conflict that counts neither; a retry is a
// duplicate.
func TestConflictsAndDuplicates(t *testing.T) {
	r := newRegistry(t)
	a, b := started("x1", "K-1", "S-1", morning), started("x1", "K-1", "S-2", morning)
	r.publish(t, a, finished("x2", "K-1", morning.Add(time.Hour)))
	r.run(t, 500)
	if n := len(r.contents(t)["chart_entry"]); n != 1 {
		t.Fatalf("%d entries before the conflict", n)
	}
	// The broker's window must not be what tells duplicates: another message id.
	if _, err := r.stream.Publisher().Publish(t.Context(), stream.Outgoing{Subject: projector.SubjectOf(a), MessageID: "again", Data: a.Encode()}); err != nil {
		t.Fatal(err)
	}
	r.publish(t, b)
	r.run(t, 500)
	if d := r.dispositions(t); d[projector.Accepted] != 2 || d[projector.Duplicate] != 1 || d[projector.Conflict] != 1 {
		t.Errorf("dispositions %v", d)
	}
	if n := len(r.contents(t)["chart_entry"]); n != 0 {
		t.Errorf("%d entries: a conflict counts neither", n)
	}
}

// An event that breaks its transaction stands alone in quarantine in the end, and
// its neighbours are there.
func TestPoisonIsIsolated(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	if _, err := r.Pool.Exec(t.Context(), "ALTER TABLE event_log ADD CHECK (id <> 'poison')"); err != nil {
		t.Fatal(err)
	}
	var es []events.Event
	for i := range 40 {
		id := "e" + string(rune('a'+i%26)) + string(rune('a'+i/26))
		if i == 17 {
			id = "poison"
		}
		es = append(es, started(id, "K-"+id, "S-1", morning.Add(time.Duration(i)*time.Hour)))
	}
	r.publish(t, es...)
	r.run(t, 500)
	if d := r.dispositions(t); d[projector.Accepted] != 39 || d[projector.Quarantined] != 1 {
		t.Errorf("dispositions %v", d)
	}
	var sequence int64
	var reason string
	if err := r.Pool.QueryRow(t.Context(), "SELECT sequence, reason FROM quarantine").Scan(&sequence, &reason); err != nil || sequence != 18 || reason != "poison" {
		t.Errorf("quarantined %d as %q: %v", sequence, reason, err)
	}
}

// Postgres going away is waited for: nothing goes to quarantine for it.
func TestLostDatabaseIsWaitedFor(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	es := history(11, 14)
	ctx, stop := context.WithCancel(t.Context())
	w := projector.NewWatcher(r.Pool, r.Base)
	done := make(chan error, 2)
	go func() { done <- r.projector().Run(ctx) }()
	go func() { done <- w.Run(ctx) }()
	for i := 0; i < len(es); i += 60 {
		r.publish(t, es[i:min(i+60, len(es))]...)
		// Every connection of this registry is cut, wherever it stands.
		if _, err := r.Pool.Exec(ctx, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'lensledger' AND pid <> pg_backend_pid() AND query NOT LIKE 'LISTEN%'"); err != nil && !pg.Unavailable(err) {
			t.Fatal(err)
		}
	}
	info, err := r.stream.Info(ctx)
	if err != nil {
		t.Fatal(err)
	}
	waited := make(chan error, 1)
	go func() { waited <- w.Wait(ctx, info.Last) }()
	select {
	case err := <-done:
		t.Fatalf("the projector or its watcher gave up: %v", err)
	case err := <-waited:
		if err != nil {
			t.Fatal(err)
		}
	}
	stop()
	<-done
	<-done
	r.Pool.Reset() // some of its connections were cut
	r.noQuarantine(t)
	r.checkBooks(t)
}

// Who takes over fences the one before, which can't write any more: it stands by,
// and leads again once it may.
func TestTakingOverFencesTheFirst(t *testing.T) {
	r := newRegistry(t)
	first := make(chan error, 1)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	r.run(t, 500)
	w := projector.NewWatcher(r.Pool, r.Base)
	go func() { _ = w.Run(ctx) }() // ends with ctx
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler), Lease: 2 * time.Second})
	go func() { first <- p.Run(ctx) }()
	r.publish(t, started("a", "K-1", "S-1", morning))
	if err := w.Wait(ctx, 1); err != nil {
		t.Fatal(err)
	}
	before := r.fence(t)
	r.run(t, 500) // takes over
	if after := r.fence(t); after != before+1 {
		t.Fatalf("fence %d after %d", after, before)
	}
	r.publish(t, finished("b", "K-1", morning.Add(time.Hour)))
	waited := make(chan error, 1)
	go func() { waited <- w.Wait(ctx, 2) }()
	select {
	case err := <-first:
		t.Fatalf("the first projector ended: %v", err)
	case err := <-waited:
		if err != nil {
			t.Fatal(err)
		}
	}
	if after := r.fence(t); after != before+2 {
		t.Errorf("fence %d: the position was written by one that had been fenced at %d", after, before)
	}
	stop()
	<-first
	r.checkBooks(t)
}

func (r *registry) fence(t testing.TB) (fence int64) {
	t.Helper()
	if err := r.Pool.QueryRow(t.Context(), "SELECT fence FROM stream_state").Scan(&fence); err != nil {
		t.Fatal(err)
	}
	return fence
}

// A log that isn't the one the position belongs to is named, never projected.
func TestRecreatedStreamIsRefused(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, started("a", "K-1", "S-1", morning))
	r.run(t, 500)
	other := newRegistry(t)
	other.publish(t, started("b", "K-2", "S-1", morning), started("c", "K-3", "S-1", morning))
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: other.stream, Log: slog.New(slog.DiscardHandler)})
	var epoch *stream.EpochError
	if err := p.RunToEnd(t.Context()); !errors.As(err, &epoch) {
		t.Errorf("another log: %v", err)
	}
	if d := r.dispositions(t); d[projector.Accepted] != 1 {
		t.Errorf("dispositions %v", d)
	}
}

// An alarm is announced when it is first known, once, also when a late case moves
// the crossing, and never by a rebuild.
func TestAlarmsAreAnnouncedOnce(t *testing.T) {
	r := newRegistry(t)
	announced := map[string]int{}
	run := func() {
		p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler),
			OnAlarm: func(codes []string) {
				for _, c := range codes {
					announced[c]++
				}
			}})
		if err := p.RunToEnd(t.Context()); err != nil {
			t.Fatal(err)
		}
		if err := p.Rebuild(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	cases := func(from, to int, rupture bool) []events.Event {
		var es []events.Event
		for i := from; i < to; i++ {
			at, id := morning.Add(time.Duration(i)*24*time.Hour), "K-"+string(rune('a'+i))
			es = append(es, started(id+"s", id, "S-1", at), finished(id+"f", id, at.Add(time.Hour)))
			if rupture {
				es = append(es, ruptured(id+"r", id, at.Add(time.Minute)))
			}
		}
		return es
	}
	r.publish(t, cases(10, 14, true)...)
	run()
	code := alarm.AlarmCode(alarm.CodeOf("S-1", "capsule-rupture", "detection"), 1)
	if announced[code] != 1 || len(announced) != 1 {
		t.Fatalf("announced %v, want %s once", announced, code)
	}
	crossing := func() (name string) {
		if err := r.Pool.QueryRow(t.Context(), "SELECT case_code FROM alarm WHERE alarm = $1", code).Scan(&name); err != nil {
			t.Fatal(err)
		}
		return name
	}
	before := crossing()
	r.publish(t, cases(0, 3, true)...) // late, and earlier
	run()
	if after := crossing(); after == before {
		t.Errorf("late cases did not move the crossing from %s", before)
	}
	// The ruptures are taken back, and with them the alarm; then they turn out true.
	var back, again []events.Event
	for _, e := range append(cases(10, 14, true), cases(0, 3, true)...) {
		if e.Type == events.TypeComplicationRecorded {
			at := e.Time.AddDate(0, 1, 0)
			back = append(back, events.Event{ID: "back-" + e.ID, Source: e.Source, Type: events.TypeEventRetracted, Subject: e.Subject,
				Department: e.Department, Time: at, Data: &events.EventRetracted{TargetSource: events.Code(e.Source), TargetID: events.ID(e.ID)}})
			e.ID = "again-" + e.ID
			again = append(again, e)
		}
	}
	r.publish(t, back...)
	run()
	if n := len(r.contents(t)["alarm"]); n != 0 {
		t.Errorf("%d alarms without a rupture", n)
	}
	r.publish(t, again...)
	run()
	if n := len(r.contents(t)["alarm"]); n != 1 {
		t.Errorf("%d alarms, want the old one again", n)
	}
	if announced[code] != 1 || len(announced) != 1 {
		t.Errorf("announced %v, want %s once", announced, code)
	}
}

// Every table with a person's rows has row level security, forced; without an
// actor the API's role sees nothing in any of them. Sessions it may not even ask for.
func TestRowLevelSecurityEverywhere(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, history(11, 14)...)
	r.run(t, 500)
	// Positions, times and versions: no person.
	free := map[string]bool{"arrival": true, "stream_state": true, "checkpoint": true, "migration": true, "read_model_swap": true, "conflict": true}
	rows, err := r.Pool.Query(t.Context(), `SELECT c.relname, c.relrowsecurity AND c.relforcerowsecurity, has_table_privilege('lensledger_reader', c.oid, 'SELECT')
		FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE c.relkind = 'r' AND n.nspname = ANY ($1)`,
		[]string{r.Base, pg.ModelSchema(r.Base)})
	if err != nil {
		t.Fatal(err)
	}
	var name string
	var secured, granted bool
	var tables []string
	if _, err := pgx.ForEachRow(rows, []any{&name, &secured, &granted}, func() error {
		if free[name] || strings.HasPrefix(name, "goose") {
			return nil
		}
		if granted == (name == "session") {
			t.Errorf("the API's role may ask for table %s: %v", name, granted)
		}
		if granted {
			tables = append(tables, name)
		}
		if !secured {
			t.Errorf("table %s has no forced row level security", name)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(tables) < 12 {
		t.Fatalf("only %d tables: %v", len(tables), tables)
	}
	err = pgx.BeginFunc(t.Context(), r.Pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(t.Context(), "SET LOCAL ROLE lensledger_reader"); err != nil {
			return err
		}
		for _, table := range tables {
			var n int
			if err := tx.QueryRow(t.Context(), "SELECT count(*) FROM "+table).Scan(&n); err != nil || n != 0 {
				t.Errorf("without an actor: %d rows of %s, %v", n, table, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	for _, actor := range []pg.Actor{{Role: "trainee"}, {Role: "trainee", Surgeons: []string{"S-NOBODY"}}, {Role: "auditor", Departments: []string{"HARBOUR"}},
		{Role: "quality"}, {Role: "quality", Departments: []string{"NOWHERE"}}, {Role: "nonsense", Departments: []string{"HARBOUR"}}} {
		for _, table := range tables {
			err := pg.AsActor(t.Context(), r.Pool, actor, func(tx pgx.Tx) error {
				var n int
				if err := tx.QueryRow(t.Context(), "SELECT count(*) FROM "+table).Scan(&n); err != nil {
					return err
				}
				if n != 0 {
					t.Errorf("%+v sees %d rows of %s", actor, n, table)
				}
				return nil
			})
			if err != nil {
				t.Errorf("%+v on %s: %v", actor, table, err)
			}
		}
	}
	// A trainee sees their own operations, and no entry of anybody else.
	var mine, all, others int
	err = pg.AsActor(t.Context(), r.Pool, pg.Actor{Role: "trainee", Surgeons: []string{"S-014"}}, func(tx pgx.Tx) error {
		return tx.QueryRow(t.Context(), "SELECT count(*) FILTER (WHERE surgeon = 'S-014'), count(*) FILTER (WHERE surgeon <> 'S-014') FROM chart_entry").Scan(&mine, &others)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Pool.QueryRow(t.Context(), "SELECT count(*) FROM chart_entry WHERE surgeon = 'S-014'").Scan(&all); err != nil {
		t.Fatal(err)
	}
	if mine != all || others != 0 {
		t.Errorf("the trainee sees %d of %d own entries and %d of others", mine, all, others)
	}
}

// An as-of that isn't one, or lies ahead of the record, is refused in words.
func TestAsOfIsChecked(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, started("a", "K-1", "S-1", morning))
	r.run(t, 500)
	for _, bad := range []string{"yesterday", "2", "2025-03-12T10:00:00", "-1"} {
		err := pg.AsWriter(t.Context(), r.Pool, func(tx pgx.Tx) error {
			_, err := archive.Resolve(t.Context(), tx, bad)
			return err
		})
		if !errors.Is(err, archive.ErrAsOf) {
			t.Errorf("as_of %q: %v", bad, err)
		}
	}
	err := pg.AsWriter(t.Context(), r.Pool, func(tx pgx.Tx) error {
		a, err := archive.Resolve(t.Context(), tx, "2020-01-01T00:00:00+00:00")
		if err == nil && a.Position != 0 {
			t.Errorf("as of a time before the first event: position %d", a.Position)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}
