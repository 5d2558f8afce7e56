package projector_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"

	"lensledger/events"
	"lensledger/events/simulate"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

func TestMain(m *testing.M) {
	flag.Parse()
	if role := os.Getenv(childRole); role != "" {
		os.Exit(runChild(role))
	}
	// Each check runs whole servers: a few, each with hundreds of events. The flag
	// still wins, for a long run.
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue {
		_ = f.Value.Set("4")
	}
	if testing.Short() {
		os.Exit(m.Run())
	}
	pgtest.Main(m)
}

// history is a set of events with everything in it that makes a set difficult.
// The cases come from the invented scenario; the rest is made here.
func history(seed uint64, cases int) []events.Event {
	var es []events.Event
	seen := map[events.Identity]bool{}
	for e := range (simulate.Scenario{Seed: seed, Cases: cases}).Events() {
		if !seen[e.Identity()] {
			seen[e.Identity()] = true
			es = append(es, e)
		}
	}
	made := maker{base: es}
	starts := made.ofType(events.TypeCaseStarted)
	first := starts[0]
	surgeon := first.Data.(*events.CaseStarted).FirstOperator
	chart := alarm.CodeOf(string(surgeon), string(events.OutcomeCapsuleRupture), string(events.KindDetection))

	// A chart that alarms soon, its review and its restart; the department that sets
	// and restarts it is the surgeon's.
	made.department = first.Department
	made.add(events.TypeChartDesigned, "design-1", first.Time, &events.ChartDesigned{Outcome: events.OutcomeCapsuleRupture,
		Kind: events.KindDetection, Scope: surgeon, Acceptable: 20000, Unacceptable: 50000, Threshold: 500000})
	for i, s := range starts {
		if s.Data.(*events.CaseStarted).FirstOperator == surgeon && i%2 == 0 {
			made.add(events.TypeComplicationRecorded, s.Subject, s.Time.Add(5*time.Minute),
				&events.ComplicationRecorded{Kind: events.KindCapsuleRupture, NoticedInStep: "segment-removal"})
		}
	}
	for i, s := range starts[:6] {
		made.wholePath(s, i)
	}
	middle := starts[len(starts)/2].Time
	made.add(events.TypeAlarmReviewed, chart, middle, &events.AlarmReviewed{Alarm: events.Code(alarm.AlarmCode(chart, 1)),
		Finding: "training-need", By: "Q-001"})
	restart := made.add(events.TypeChartRestarted, chart, middle, &events.ChartRestarted{Alarm: events.Code(alarm.AlarmCode(chart, 1)),
		Finding: "training-need", By: "Q-001"})
	made.correct(events.TypeEventRetracted, restart, middle.Add(time.Hour), &events.EventRetracted{
		TargetSource: events.Code(restart.Source), TargetID: events.ID(restart.ID)})

	// Two amendments of one event, one of them taken back; an amendment that names
	// another type; a retraction that is itself retracted.
	second := starts[1]
	moved := second.Time.AddDate(0, 1, 0)
	started := *second.Data.(*events.CaseStarted)
	started.FirstOperator = "S-901"
	amended := func(target events.Event, at time.Time, data any, occurred events.Opt[time.Time]) events.Event {
		raw := events.Event{Type: target.Type, Data: data, Source: "x", ID: "x", Subject: "x", Department: "x", Time: at}
		return made.correct(events.TypeEventAmended, target, at, &events.EventAmended{TargetSource: events.Code(target.Source),
			TargetID: events.ID(target.ID), OccurredAt: occurred, Data: dataOf(raw)})
	}
	amended(second, second.Time.Add(time.Hour), &started, events.Some(moved))
	later := amended(second, second.Time.Add(2*time.Hour), second.Data, events.Opt[time.Time]{})
	gone := made.correct(events.TypeEventRetracted, later, second.Time.Add(3*time.Hour),
		&events.EventRetracted{TargetSource: events.Code(later.Source), TargetID: events.ID(later.ID)})
	made.correct(events.TypeEventRetracted, gone, second.Time.Add(4*time.Hour),
		&events.EventRetracted{TargetSource: events.Code(gone.Source), TargetID: events.ID(gone.ID)})
	amended(starts[2], starts[2].Time.Add(time.Hour), &events.CaseCancelled{Stage: events.CancelAfterIncision}, events.Opt[time.Time]{})

	// A conflict that stays, and one that an amendment replaces.
	for i, s := range starts[3:5] {
		other := s
		data := *s.Data.(*events.CaseStarted)
		data.FirstOperator = "S-902"
		other.Data = &data
		made.es = append(made.es, other)
		if i == 1 {
			amended(s, s.Time.Add(time.Hour), &data, events.Opt[time.Time]{})
		}
	}

	// A conflict between two cases: the same identity is about either.
	elsewhere := starts[10]
	elsewhere.Subject = starts[11].Subject
	made.es = append(made.es, elsewhere)

	// Joins: a chain of three, one taken back, and one to a code never heard of.
	made.join(starts[5], starts[6].Subject)
	broken := made.join(starts[6], starts[7].Subject)
	made.correct(events.TypeEventRetracted, broken, starts[7].Time.Add(time.Hour),
		&events.EventRetracted{TargetSource: events.Code(broken.Source), TargetID: events.ID(broken.ID)})
	made.join(starts[8], "NEVER-HEARD-OF")
	// A case whose every event is taken back.
	for _, e := range es {
		if e.Subject == starts[9].Subject {
			if _, correction := e.Data.(*events.EventRetracted); !correction {
				made.correct(events.TypeEventRetracted, e, e.Time.Add(time.Hour),
					&events.EventRetracted{TargetSource: events.Code(e.Source), TargetID: events.ID(e.ID)})
			}
		}
	}
	return append(es, made.es...)
}

// tended is a history whose signal is acknowledged and given to three owners, one
// of them taken back.
func tended(seed uint64, cases int) []events.Event {
	set := history(seed, cases)
	made := maker{}
	for _, e := range set {
		d, ok := e.Data.(*events.AlarmReviewed)
		if !ok {
			continue
		}
		made.department = e.Department
		made.add(events.TypeAlarmAcknowledged, e.Subject, e.Time.Add(-3*time.Hour), &events.AlarmAcknowledged{Alarm: d.Alarm, Note: "seen", By: "Q-001"})
		for i, owner := range []events.Code{"S-901", "S-902", "S-903"} { // at one time, so that the order of identities decides
			given := made.add(events.TypeAlarmAssigned, e.Subject, e.Time.Add(-2*time.Hour), &events.AlarmAssigned{Alarm: d.Alarm, Owner: owner, DueOn: "2025-06-30", By: "Q-001"})
			if i == 2 {
				made.correct(events.TypeEventRetracted, given, e.Time.Add(-time.Hour), &events.EventRetracted{
					TargetSource: events.Code(given.Source), TargetID: "tended-3"})
			}
		}
	}
	for i := range made.es {
		made.es[i].ID = fmt.Sprintf("tended-%d", i)
	}
	return append(set, made.es...)
}

// maker adds events to a history.
type maker struct {
	base, es   []events.Event
	department string
}

func (m *maker) ofType(t events.Type) []events.Event {
	var out []events.Event
	for _, e := range m.base {
		if e.Type == t {
			out = append(out, e)
		}
	}
	return out
}

func (m *maker) add(t events.Type, subject string, at time.Time, data any) events.Event {
	e := events.Event{ID: fmt.Sprintf("made-%d", len(m.es)), Source: "quality-desk", Type: t, Subject: subject,
		Department: m.department, Time: at, Data: data}
	m.es = append(m.es, e)
	return e
}

func (m *maker) correct(t events.Type, target events.Event, at time.Time, data any) events.Event {
	return m.add(t, target.Subject, at, data)
}

func (m *maker) join(from events.Event, other string) events.Event {
	return m.add(events.TypeCaseJoined, from.Subject, from.Time, &events.CaseJoined{OtherCase: events.Code(other)})
}

// dataOf is the data of an event as it stands on the wire.
func dataOf(e events.Event) events.Raw {
	var wire struct{ Data json.RawMessage }
	if err := json.Unmarshal(e.Encode(), &wire); err != nil {
		panic(err)
	}
	return events.Raw(wire.Data)
}

// contents reads every row of every read model, without the positions, which tell
// of arrival; sorted, so that two registries can be compared.
func (r *registry) contents(t testing.TB) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for _, table := range []string{"operation", "eye_outcome", "chart_entry", "step_entry", "surgeon", "chart_design", "chart_review", "alarm_handling", "chart",
		"alarm", "peer_band", "teaching_point", "case_review", "record_question", "department_cell"} {
		rows, err := r.Pool.Query(t.Context(), "SELECT (to_jsonb(t) - 'first_position' - 'last_position')::text FROM "+table+" t")
		if err != nil {
			t.Fatal(err)
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(lines)
		out[table] = lines
	}
	return out
}

// difference names the first row in which two contents differ.
func difference(a, b map[string][]string) string {
	for table, rows := range a {
		for i := range max(len(rows), len(b[table])) {
			switch {
			case i >= len(rows):
				return table + ": more row " + b[table][i]
			case i >= len(b[table]):
				return table + ": missing row " + rows[i]
			case rows[i] != b[table][i]:
				return table + ":\n  " + rows[i] + "\n  " + b[table][i]
			}
		}
	}
	return ""
}

func (r *registry) noQuarantine(t testing.TB) {
	t.Helper()
	var problem string
	err := r.Pool.QueryRow(t.Context(), "SELECT coalesce(string_agg(reason || problems::text, '; '), '') FROM quarantine").Scan(&problem)
	if err != nil || problem != "" {
		t.Fatalf("quarantined: %s %v", problem, err)
	}
}

// Invariants 7 and 8: the rows follow from the set of events alone, whatever the
// order, the duplicates, the batches and the restarts.
func TestAnyOrderGivesTheSameRows(t *testing.T) {
	set := tended(11, 14)
	reference := newRegistry(t)
	reference.publish(t, set...)
	reference.run(t, 500)
	reference.noQuarantine(t)
	want := reference.contents(t)
	if len(want["alarm"]) == 0 || len(want["chart_review"]) == 0 || len(want["alarm_handling"]) != 3 {
		t.Fatal("the history has no alarm, no review or not three acknowledgements and owners: it tests too little")
	}
	rapid.Check(t, func(rt *rapid.T) {
		scoped(t, func(t testing.TB) {
			seed := rapid.Uint64().Draw(rt, "seed")
			dice := rand.New(rand.NewPCG(seed, 1))
			es := slices.Clone(set)
			for range 30 {
				es = append(es, set[dice.IntN(len(set))])
			}
			dice.Shuffle(len(es), func(i, j int) { es[i], es[j] = es[j], es[i] })
			r := newRegistry(t)
			for len(es) > 0 {
				n := min(len(es), 1+dice.IntN(200))
				r.publish(t, es[:n]...)
				es = es[n:]
				r.run(t, 1+dice.IntN(60)) // every run is a restart
			}
			r.noQuarantine(t)
			if d := difference(want, r.contents(t)); d != "" {
				rt.Fatalf("seed %d: another order gives other rows: %s", seed, d)
			}
			v, err := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)}).Verify(t.Context())
			if err != nil {
				rt.Fatal(err)
			}
			if !v.Equal() {
				rt.Fatalf("seed %d: live and rebuilt differ: %v", seed, v.Differing())
			}
		})
	})
}

// answers asks everything there is to ask as of a position.
func answers(ctx context.Context, tx pgx.Tx, asOf string, departments, surgeons, cases []string) (string, uint64, error) {
	a, err := archive.Resolve(ctx, tx, asOf)
	if err != nil {
		return "", 0, err
	}
	var out strings.Builder
	add := func(v any, err error) error {
		if err != nil {
			return err
		}
		line, err := json.Marshal(v)
		out.Write(append(line, '\n'))
		return err
	}
	whole, _ := department.ParsePeriod("2023-01", "2027-12")
	part, _ := department.ParsePeriod("2024-01-05", "2024-01-20")
	for _, d := range departments {
		for _, p := range []department.Period{whole, part} {
			b, err := department.Read(ctx, tx, d, p, a)
			if err := add(b, err); err != nil {
				return "", 0, err
			}
		}
		for _, watched := range []events.Outcome{events.OutcomeRefractionMiss, events.OutcomeVisualLoss} {
			g, err := alarm.DepartmentCharts(ctx, tx, d, []string{string(watched)}, alarm.ByLensModel, a)
			if err := add(g, err); err != nil {
				return "", 0, err
			}
		}
		wrong, err := alarm.FalseAlarms(ctx, tx, d, a)
		if err := add(wrong, err); err != nil {
			return "", 0, err
		}
		f, err := department.BySurgeon(ctx, tx, department.Views, d, whole, a)
		if err := add(f, err); err != nil {
			return "", 0, err
		}
	}
	for _, s := range surgeons {
		c, err := alarm.Charts(ctx, tx, s, a)
		if err := add(c, err); err != nil {
			return "", 0, err
		}
		progress, err := learning.ReadProgress(ctx, tx, s, a)
		if err := add(progress, err); err != nil {
			return "", 0, err
		}
		runs, err := learning.Steps(ctx, tx, s, a)
		if err := add(runs, err); err != nil {
			return "", 0, err
		}
		eyes, err := department.ReadEyesOfSurgeon(ctx, tx, s, a)
		if err := add(eyes, err); err != nil {
			return "", 0, err
		}
		book, err := learning.ReadLogbook(ctx, tx, s, time.Time{}, time.Time{}, a)
		if err := add(book, err); err != nil {
			return "", 0, err
		}
		said, err := feedback.Points(ctx, tx, s, a)
		if err := add(said, err); err != nil {
			return "", 0, err
		}
		reviews, err := feedback.Reviews(ctx, tx, s, a)
		if err := add(reviews, err); err != nil {
			return "", 0, err
		}
	}
	list, err := alarm.List(ctx, tx, a)
	if err := add(list, err); err != nil {
		return "", 0, err
	}
	for _, code := range cases {
		r, err := outcome.Read(ctx, tx, code, a)
		if err == outcome.ErrNoCase {
			err = nil
		}
		r.AsOf.Past = false
		if err := add(r.Row, err); err != nil {
			return "", 0, err
		}
	}
	return out.String(), a.Position, nil
}

// Invariants 19 and 20: an answer remembered is given again exactly, while events
// go on arriving late, amended, retracted and joined, and after a rebuild.
func TestAnswersAsOfStand(t *testing.T) {
	set := tended(5, 14)
	var departments, surgeons, cases []string
	for _, e := range set {
		if !slices.Contains(departments, e.Department) {
			departments = append(departments, e.Department)
		}
		if s, ok := e.Data.(*events.CaseStarted); ok {
			for _, code := range []string{string(s.FirstOperator), string(s.ResponsibleConsultant)} {
				if !slices.Contains(surgeons, code) {
					surgeons = append(surgeons, code)
				}
			}
			if !slices.Contains(cases, e.Subject) {
				cases = append(cases, e.Subject)
			}
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		scoped(t, func(t testing.TB) {
			seed := rapid.Uint64().Draw(rt, "seed")
			dice := rand.New(rand.NewPCG(seed, 2))
			es := slices.Clone(set)
			dice.Shuffle(len(es), func(i, j int) { es[i], es[j] = es[j], es[i] })
			r := newRegistry(t)
			remembered := map[uint64]string{}
			surgeons := slices.Clone(surgeons) // some of them
			dice.Shuffle(len(surgeons), func(i, j int) { surgeons[i], surgeons[j] = surgeons[j], surgeons[i] })
			surgeons = surgeons[:min(5, len(surgeons))]
			ask := func(asOf string) (string, uint64) {
				var text string
				var position uint64
				err := pg.AsWriter(t.Context(), r.Pool, func(tx pgx.Tx) (err error) {
					text, position, err = answers(t.Context(), tx, asOf, departments, surgeons, cases)
					return err
				})
				if err != nil {
					rt.Fatal(err)
				}
				return text, position
			}
			again := func(when string) {
				for position, text := range remembered {
					got, _ := ask(fmt.Sprint(position))
					if got != text {
						rt.Fatalf("seed %d: the answer as of %d has changed %s:\n%s", seed, position, when, firstDifference(text, got))
					}
				}
			}
			for len(es) > 0 {
				n := min(len(es), 1+dice.IntN(120))
				r.publish(t, es[:n]...)
				es = es[n:]
				r.run(t, 1+dice.IntN(60))
				// Each is asked again twice: some of the positions, and the last.
				if dice.IntN(3) == 0 || len(es) == 0 {
					text, position := ask("")
					remembered[position] = text
				}
			}
			r.noQuarantine(t)
			again("while events arrived")
			p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)})
			if err := p.Rebuild(t.Context()); err != nil {
				rt.Fatal(err)
			}
			again("after a rebuild")
		})
	})
}

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return "was " + x[i] + "\nis  " + y[i]
		}
	}
	return fmt.Sprintf("%d lines, then %d", len(x), len(y))
}
