package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"log/slog"
	"os"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
)

type figuresCommand struct {
	servers
	From        string   `required:"" help:"First month, for example 2025-01."`
	To          string   `required:"" help:"Last month."`
	AsOf        string   `help:"Position of the record, or a time with offset: what was known then."`
	Department  []string `help:"Departments, comma between them; all of them when left out."`
	CSV         bool     `name:"csv" help:"A table after RFC 4180 in place of JSON."`
	SmallCounts bool     `help:"Show small counts too: for use inside the departments alone."`
}

// Run prints the departments' figures, the same bytes as GET /v1/figures, and their
// digest on standard error.
func (c *figuresCommand) Run(ctx context.Context) error {
	logTo(slog.LevelWarn)
	if err := c.check(); err != nil {
		return err
	}
	pool, err := c.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	return c.print(ctx, pool, os.Stdout, os.Stderr)
}

func (c *figuresCommand) print(ctx context.Context, pool *pgxpool.Pool, out, note io.Writer) error {
	period, err := department.ParsePeriod(c.From, c.To)
	if err != nil {
		return err
	}
	departments := c.Department
	if len(departments) == 0 {
		// Whoever runs the service knows which departments there are; their figures
		// are read as anybody reads them.
		err := pg.AsWriter(ctx, pool, func(tx pgx.Tx) error {
			spans, err := department.Spans(ctx, tx)
			for _, s := range spans {
				departments = append(departments, s.Department)
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	var f department.Figures
	err = pg.AsActor(ctx, pool, pg.Actor{Role: "figures", Departments: departments}, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, c.AsOf)
		if err != nil {
			return err
		}
		f, err = department.ReadFigures(ctx, tx, departments, period, asOf, !c.SmallCounts)
		return err
	})
	if err != nil {
		return fmt.Errorf("read figures: %w", err)
	}
	encode := f.JSON
	if c.CSV {
		encode = f.CSV
	}
	body, err := encode()
	if err != nil {
		return err
	}
	if _, err := out.Write(body); err != nil {
		return err
	}
	_, err = fmt.Fprintf(note, "sha256 %x, position %d, definition %s\n", sha256.Sum256(body), f.AsOf.Position, f.Definition)
	return err
}
