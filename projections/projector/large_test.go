package projector_test

import (
	"context"
	"log/slog"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/simulate"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// archived files a scenario's events in the archive by COPY, as the projector
// would have, and rebuilds the read models from it: publishing as many with every
// write synced would take far longer. Events that the scenario sends twice are
// left out. It returns how many were filed.
func archived(b *testing.B, r *registry, s simulate.Scenario) int {
	b.Helper()
	ctx := b.Context()
	seen := map[[16]byte]bool{}
	identities := map[string]bool{}
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	const batch = 50_000
	var logged, arrived [][]any
	sequence := int64(0)
	flush := func() {
		for _, t := range []struct {
			name    string
			columns []string
			rows    [][]any
		}{
			{"event_log", []string{"sequence", "source", "id", "hash", "wire_hash", "type", "about", "subject", "department", "recorded_at", "headers", "body"}, logged},
			{"arrival", []string{"sequence", "disposition", "recorded_at", "recorded_high"}, arrived},
		} {
			if _, err := r.Pool.CopyFrom(ctx, pgx.Identifier{r.Base, t.name}, t.columns, pgx.CopyFromRows(t.rows)); err != nil {
				b.Fatal(err)
			}
		}
		logged, arrived = logged[:0], arrived[:0]
	}
	for e := range s.Events() {
		hash := e.Hash()
		short := [16]byte(hash[:16])
		identity := e.Source + "/" + e.ID
		if seen[short] || e.Type == events.TypeCaseJoined || e.Type == events.TypeEventAmended && identities[identity] {
			continue
		}
		if identities[identity] {
			continue // two with one identity: a conflict, which this bench can do without
		}
		seen[short], identities[identity] = true, true
		sequence++
		body := e.Encode()
		wire := events.WireHash(nil, body)
		kind, _ := events.Lookup(e.Type)
		recorded := at.Add(time.Duration(sequence) * time.Millisecond)
		logged = append(logged, []any{sequence, e.Source, e.ID, hash[:], wire[:], string(e.Type), string(kind.About), e.Subject, e.Department, recorded, nil, body})
		arrived = append(arrived, []any{sequence, "accepted", recorded, recorded})
		if len(logged) == batch {
			flush()
		}
	}
	flush()
	if _, err := r.Pool.Exec(ctx, "UPDATE "+r.Base+".stream_state SET position = $1, recorded_high = $2", sequence, at.Add(time.Duration(sequence)*time.Millisecond)); err != nil {
		b.Fatal(err)
	}
	if _, err := r.Pool.Exec(ctx, "ANALYZE "+r.Base+".event_log"); err != nil {
		b.Fatal(err)
	}
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)})
	if err := p.Rebuild(ctx); err != nil {
		b.Fatal(err)
	}
	return int(sequence)
}

// BenchmarkAnswers measures what a reader waits for: a year's benchmarks and
// figures, a case, a surgeon's progress and charts, on a registry of OPERATIONS
// operations (20,000 unless the environment says otherwise) of which a department
// has up to 3,000. Times are of the read function in its transaction, without HTTP.
func BenchmarkAnswers(b *testing.B) {
	operations := 20_000
	if text := os.Getenv("OPERATIONS"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			b.Fatal(err)
		}
		operations = n
	}
	r := newRegistry(b)
	r.run(b, 500)
	began := time.Now()
	n := archived(b, r, simulate.Scenario{Seed: 9, Cases: operations})
	b.Logf("%d operations, %d events, archived and rebuilt in %s", operations, n, time.Since(began).Round(time.Second))

	var departments, surgeons, cases []string
	for _, list := range []struct {
		into *[]string
		sql  string
	}{
		{&departments, "SELECT DISTINCT department FROM department_cell ORDER BY 1"},
		{&surgeons, "SELECT surgeon FROM surgeon WHERE trainee ORDER BY surgeon LIMIT 200"},
		{&cases, "SELECT case_code FROM operation WHERE counts ORDER BY md5(case_code) LIMIT 500"},
	} {
		if err := pg.AsWriter(b.Context(), r.Pool, func(tx pgx.Tx) (err error) {
			if _, err = tx.Exec(b.Context(), "SET LOCAL search_path = "+r.Base+"_model, "+r.Base); err != nil {
				return err
			}
			*list.into, err = pg.Values[string](b.Context(), tx, list.sql)
			return err
		}); err != nil {
			b.Fatal(err)
		}
	}
	year, err := department.ParsePeriod("2024-01", "2024-12")
	if err != nil {
		b.Fatal(err)
	}
	figures := pg.Actor{Role: "figures", Departments: departments}
	quality := pg.Actor{Role: "quality", Departments: departments}
	for _, question := range []struct {
		name  string
		actor pg.Actor
		ask   func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error
	}{
		{"benchmarks-of-a-department", figures, func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error {
			_, err := department.Read(ctx, tx, departments[i%len(departments)], year, asOf)
			return err
		}},
		{"figures-of-all-departments", figures, func(ctx context.Context, tx pgx.Tx, _ int, asOf archive.AsOf) error {
			_, err := department.ReadFigures(ctx, tx, departments, year, asOf, true)
			return err
		}},
		{"case", quality, func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error {
			_, err := outcome.Read(ctx, tx, cases[i%len(cases)], asOf)
			return err
		}},
		{"stage", quality, func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error {
			_, err := feedback.ReadEvidence(ctx, tx, cases[i%len(cases)], asOf)
			return err
		}},
		{"progress", quality, func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error {
			_, err := learning.ReadProgress(ctx, tx, surgeons[i%len(surgeons)], asOf)
			return err
		}},
		{"charts", quality, func(ctx context.Context, tx pgx.Tx, i int, asOf archive.AsOf) error {
			_, err := alarm.Charts(ctx, tx, surgeons[i%len(surgeons)], asOf)
			return err
		}},
	} {
		b.Run(question.name, func(b *testing.B) {
			var took []time.Duration
			for i := 0; b.Loop(); i++ {
				began := time.Now()
				err := pg.AsActor(b.Context(), r.Pool, question.actor, func(tx pgx.Tx) error {
					asOf, err := archive.Resolve(b.Context(), tx, "")
					if err != nil {
						return err
					}
					return question.ask(b.Context(), tx, i, asOf)
				})
				if err != nil {
					b.Fatal(err)
				}
				took = append(took, time.Since(began))
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
		})
	}
}
