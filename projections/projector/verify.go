package projector

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
)

// Digest is the content of one table: how many rows, and a sum over their hashes
// that doesn't depend on their order.
type Digest struct {
	Table string
	Rows  int64
	Sum   string
}

// Verification compares the live read models with ones made anew.
type Verification struct {
	Position uint64
	Live     []Digest
	Rebuilt  []Digest
}

// Equal says whether every table agrees.
func (v Verification) Equal() bool { return slices.Equal(v.Live, v.Rebuilt) }

// Differing lists the tables that don't agree.
func (v Verification) Differing() []string {
	var out []string
	for i, d := range v.Live {
		if d != v.Rebuilt[i] {
			out = append(out, fmt.Sprintf("%s: %d rows live, %d rebuilt", d.Table, d.Rows, v.Rebuilt[i].Rows))
		}
	}
	return out
}

// Verify folds the whole archive again beside the live read models, brings the
// copy to the live position and compares every table.
func (p *Projector) Verify(ctx context.Context) (v Verification, err error) {
	err = p.untilNoneErased(func() error {
		v, err = p.verify(ctx)
		return err
	})
	return v, err
}

func (p *Projector) verify(ctx context.Context) (Verification, error) {
	var v Verification
	if err := p.dropSchema(ctx, p.check()); err != nil {
		return v, err
	}
	position, err := p.fill(ctx, p.check())
	if err != nil {
		return v, fmt.Errorf("verify: %w", err)
	}
	if position, err = p.follow(ctx, p.check(), position); err != nil {
		return v, fmt.Errorf("verify: %w", err)
	}
	err = p.locked(ctx, p.check(), position, func(tx pgx.Tx) error {
		if v.Position, err = Position(ctx, tx); err != nil {
			return err
		}
		if v.Live, err = digests(ctx, tx, p.live()); err != nil {
			return err
		}
		v.Rebuilt, err = digests(ctx, tx, p.check())
		return err
	})
	if err != nil {
		return v, fmt.Errorf("verify: %w", err)
	}
	return v, p.dropSchema(ctx, p.check())
}

// digests reads every table of a copy of the read models.
func digests(ctx context.Context, tx pgx.Tx, schema string) ([]Digest, error) {
	names := []string{cellTable}
	for _, t := range tables {
		names = append(names, t.Name)
	}
	out := make([]Digest, 0, len(names))
	for _, name := range names {
		d := Digest{Table: name}
		sql := "SELECT count(*), coalesce(sum(('x' || substr(md5(t::text), 1, 15))::bit(60)::bigint), 0)::text FROM " +
			quote(schema) + "." + quote(name) + " t"
		if err := tx.QueryRow(ctx, sql).Scan(&d.Rows, &d.Sum); err != nil {
			return nil, fmt.Errorf("digest of %s: %w", name, err)
		}
		out = append(out, d)
	}
	return out, nil
}
