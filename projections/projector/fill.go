package projector

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

// fill makes a copy of the read models in a new schema from the whole archive and
// returns the position it stands at. Events are read in sequence and parted by
// case in a temporary file, so that memory is bounded whatever the log's length; then
// each part is folded on all cores and copied in.
func (p *Projector) fill(ctx context.Context, schema string) (uint64, error) {
	err := pgx.BeginFunc(ctx, p.pool, func(tx pgx.Tx) error {
		if err := createModel(ctx, tx, schema, p.base); err != nil {
			return err
		}
		return p.own(ctx, tx, schema)
	})
	if err != nil {
		return 0, err
	}
	var position uint64
	var parts *spill
	err = pgx.BeginTxFunc(ctx, p.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, "SELECT position FROM stream_state").Scan(&position); err != nil {
			return err
		}
		parts, err = partition(ctx, tx, position)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("part the archive: %w", err)
	}
	defer parts.Close()
	if err := p.fillParts(ctx, schema, parts); err != nil {
		return 0, err
	}
	if err := p.fillCells(ctx, schema); err != nil {
		return 0, err
	}
	if err := p.fillCharts(ctx, schema); err != nil {
		return 0, err
	}
	return position, p.inSchema(ctx, schema, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, setCheckpointSQL, int64(position)); err != nil {
			return err
		}
		names := []string{cellTable}
		for _, t := range tables {
			names = append(names, t.Name)
		}
		_, err := tx.Exec(ctx, "ANALYZE "+strings.Join(names, ", "))
		return err
	})
}

// partBytes is the size of a part: what a worker holds at once, undecoded.
const partBytes = 16 << 20

// partition reads the archive in sequence and parts it by case; codes that were
// ever joined fall into one part.
func partition(ctx context.Context, tx pgx.Tx, position uint64) (*spill, error) {
	var size int64
	if err := tx.QueryRow(ctx, "SELECT pg_table_size('event_log')").Scan(&size); err != nil {
		return nil, err
	}
	roots, err := linkRoots(ctx, tx)
	if err != nil {
		return nil, err
	}
	rivals, err := rivalsBetween(ctx, tx, 0, position)
	if err != nil {
		return nil, err
	}
	conflictAt := map[uint64]uint64{}
	for sequence, versions := range rivals {
		for _, v := range versions {
			conflictAt[sequence] = max(conflictAt[sequence], v.sequence)
			conflictAt[v.sequence] = max(conflictAt[v.sequence], sequence)
		}
	}
	parts, err := newSpill(int(size/partBytes) + 1)
	if err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, readLogAllSQL, int64(position))
	if err != nil {
		parts.Close()
		return nil, err
	}
	var r logRow
	_, err = pgx.ForEachRow(rows, r.targets(), func() error {
		root, linked := roots[r.subject]
		if !linked {
			root = r.subject
		}
		r.conflictAt = conflictAt[uint64(r.sequence)]
		err := parts.add(root, r)
		r.headers = nil // or the next row's would be read into the same map
		return err
	})
	if err == nil {
		err = parts.finish()
	}
	if err != nil {
		parts.Close()
		return nil, err
	}
	return parts, nil
}

// linkRoots gives, for each code that any join names, one code of its group.
func linkRoots(ctx context.Context, tx pgx.Tx) (map[string]string, error) {
	parent := map[string]string{}
	var find func(string) string
	find = func(c string) string {
		if p, ok := parent[c]; ok && p != c {
			root := find(p)
			parent[c] = root
			return root
		}
		return c
	}
	rows, err := tx.Query(ctx, "SELECT subject, other_case FROM case_link ORDER BY sequence")
	if err != nil {
		return nil, err
	}
	var a, b string
	_, err = pgx.ForEachRow(rows, []any{&a, &b}, func() error {
		ra, rb := find(a), find(b)
		if _, ok := parent[ra]; !ok {
			parent[ra] = ra
		}
		parent[rb] = ra
		return nil
	})
	if err != nil {
		return nil, err
	}
	roots := make(map[string]string, len(parent))
	for c := range parent {
		roots[c] = find(c)
	}
	return roots, nil
}

// fillParts folds the parts on all cores and copies their rows in.
func (p *Projector) fillParts(ctx context.Context, schema string, parts *spill) error {
	group, folding := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range parts.count() {
		group.Go(func() error {
			rows, err := foldPart(parts, i)
			if err != nil {
				return err
			}
			return p.inSchema(folding, schema, func(tx pgx.Tx) error {
				for i, t := range tables {
					if err := copyRows(folding, tx, t, sortedRows(rows.rows[i])); err != nil {
						return err
					}
				}
				return nil
			})
		})
	}
	return group.Wait()
}

// fillCells sums up the operations that were copied in, a department's year at a
// time: what is held doesn't grow with the number of departments.
func (p *Projector) fillCells(ctx context.Context, schema string) error {
	type year struct {
		Department string
		Since      time.Time
	}
	var years []year
	err := p.inSchema(ctx, schema, func(tx pgx.Tx) (err error) {
		if _, err := tx.Exec(ctx, "ANALYZE operation, eye_outcome"); err != nil {
			return err
		}
		years, err = pg.Structs[year](ctx, tx, "SELECT DISTINCT department, date_trunc('year', operated_on)::date AS since FROM operation WHERE counts ORDER BY 1, 2")
		return err
	})
	if err != nil {
		return err
	}
	group, summing := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for _, y := range years {
		group.Go(func() error {
			return p.inSchema(summing, schema, func(tx pgx.Tx) error {
				operations, err := outcome.Operations(summing, tx, y.Department, y.Since, y.Since.AddDate(1, 0, -1), archive.AsOf{Position: archive.Newest})
				if err != nil {
					return err
				}
				cells := map[department.Cell]int64{}
				for _, o := range operations {
					department.Add(cells, o.Row, o.Eye, 1)
				}
				return copyCells(summing, tx, cells)
			})
		})
	}
	return group.Wait()
}

// foldPart folds one part, group by group, so that only the rows and the raw
// bytes of the part are held.
func foldPart(parts *spill, i int) (*rowset, error) {
	groups, err := parts.read(i)
	if err != nil {
		return nil, err
	}
	out := newRowset()
	out.cells = nil // fillCells sums up
	for _, group := range groups {
		sets := map[string][]fold.Recorded{}
		var codes []string
		for _, r := range group {
			recorded, err := archive.Decode(uint64(r.sequence), r.hash, r.headers, r.body)
			if err != nil {
				return nil, err
			}
			recorded.ConflictAt = r.conflictAt
			if _, seen := sets[r.subject]; !seen {
				codes = append(codes, r.subject)
			}
			sets[r.subject] = append(sets[r.subject], recorded)
		}
		out.addGroup(codes, sets, 1)
	}
	return out, nil
}

// surgeonsAtOnce bounds the chart entries held while the charts are drawn.
const surgeonsAtOnce = 32

// fillCharts draws every surgeon's charts, and makes the peer bands, from the
// entries that were copied in.
func (p *Projector) fillCharts(ctx context.Context, schema string) error {
	return p.inSchema(ctx, schema, func(tx pgx.Tx) error {
		codes, err := pg.Values[string](ctx, tx, "SELECT DISTINCT surgeon FROM chart_entry ORDER BY surgeon")
		if err != nil {
			return err
		}
		work := newCache().begin()
		if err := work.loadDesigns(ctx, tx); err != nil {
			return err
		}
		set, restarts := work.designs.list(), work.designs.restarts()
		for len(codes) > 0 {
			n := min(surgeonsAtOnce, len(codes))
			states, err := work.loadSurgeons(ctx, tx, codes[:n])
			if err != nil {
				return err
			}
			if err := loadTimes(ctx, tx, states); err != nil {
				return err
			}
			none, rows := newRowset(), newRowset()
			for _, code := range codes[:n] {
				states[code].draw(set, restarts)
				states[code].band()
				states[code].addTo(rows)
				addBands(none, rows, nil, states[code].bands)
			}
			if err := writeDifference(ctx, tx, none, rows); err != nil {
				return err
			}
			codes = codes[n:]
		}
		return nil
	})
}
