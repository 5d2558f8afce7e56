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

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// archived files a scenario's events in the archive by COPY and makes the read
// models from it: publishing as many with every write synced would take far longer.
// It returns how many were filed.
func archived(b *testing.B, r *registry, s simulate.Scenario) int {
	b.Helper()
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)})
	at := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	last, err := p.FileArchive(b.Context(), func(yield func(stream.Message) bool) {
		for e := range s.Events() {
			at = at.Add(time.Millisecond)
			if !yield(stream.Message{Subject: projector.SubjectOf(e), Data: e.Encode(), Time: at}) {
				return
			}
		}
	})
	if err != nil {
		b.Fatal(err)
	}
	if err := p.Rebuild(b.Context()); err != nil {
		b.Fatal(err)
	}
	return int(last)
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
