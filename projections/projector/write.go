package projector

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/department"
	"lensledger/projections/pg"
)

// writeDifference turns the rows of before into those of after: what changed or
// went is deleted by key, what changed or came is inserted. Deletions and short
// inserts of all tables go in one round trip, long inserts by COPY after it.
func writeDifference(ctx context.Context, tx pgx.Tx, before, after *rowset) error {
	var short pgx.Batch
	var long [tableCount][]pg.Row
	for i, table := range tables {
		gone, fresh := difference(before.rows[i], after.rows[i])
		queueDelete(&short, table, gone)
		if len(fresh) > fewRows {
			long[i] = fresh
			continue
		}
		for _, row := range fresh {
			short.Queue(insertSQL[i], row.Values()...)
		}
	}
	if short.Len() > 0 {
		if err := tx.SendBatch(ctx, &short).Close(); err != nil {
			return fmt.Errorf("write the difference of the rows: %w", err)
		}
	}
	for i, table := range tables {
		if err := copyRows(ctx, tx, table, long[i]); err != nil {
			return err
		}
	}
	return writeCells(ctx, tx, after.cells)
}

// fewRows is up to how many rows inserts in the common round trip cost less than a
// COPY, which takes two of its own.
const fewRows = 20

// difference lists, by key, the keys of rows that changed or went and the rows that
// changed or came.
func difference(before, after map[[2]string]pg.Row) (gone [][2]string, fresh []pg.Row) {
	for _, row := range sortedRows(before) {
		if now, stays := after[row.Key()]; !stays || !sameRow(row, now) {
			gone = append(gone, row.Key())
		}
	}
	for _, row := range sortedRows(after) {
		if was, stood := before[row.Key()]; !stood || !sameRow(row, was) {
			fresh = append(fresh, row)
		}
	}
	return gone, fresh
}

func queueDelete(batch *pgx.Batch, table pg.Table, gone [][2]string) {
	if len(gone) == 0 {
		return
	}
	first, second := make([]string, len(gone)), make([]string, len(gone))
	for i, key := range gone {
		first[i], second[i] = key[0], key[1]
	}
	if len(table.Key) == 1 {
		batch.Queue("DELETE FROM "+table.Name+" WHERE "+table.Key[0]+" = ANY ($1)", first)
		return
	}
	batch.Queue("DELETE FROM "+table.Name+" t USING unnest($1::text[], $2::text[]) AS k (a, b) WHERE t."+
		table.Key[0]+" = k.a AND t."+table.Key[1]+"::text = k.b", first, second)
}

// insertSQL inserts one row of each table.
var insertSQL = func() (out [tableCount]string) {
	for i, table := range tables {
		places := make([]string, len(table.Columns))
		for j := range places {
			places[j] = "$" + strconv.Itoa(j+1)
		}
		out[i] = "INSERT INTO " + table.Name + " (" + columnList(table.Columns) + ") VALUES (" + strings.Join(places, ", ") + ")"
	}
	return out
}()

func copyRows(ctx context.Context, tx pgx.Tx, table pg.Table, rows []pg.Row) error {
	if len(rows) == 0 {
		return nil
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{table.Name}, table.Columns,
		pgx.CopyFromSlice(len(rows), func(i int) ([]any, error) { return rows[i].Values(), nil }))
	if err != nil {
		return fmt.Errorf("copy into %s: %w", table.Name, err)
	}
	return nil
}

// copyCells writes sums of which none is there yet.
func copyCells(ctx context.Context, tx pgx.Tx, cells map[department.Cell]int64) error {
	sorted := slices.SortedFunc(maps.Keys(cells), func(a, b department.Cell) int {
		return cmp.Or(cmp.Compare(a.Months, b.Months), a.Month.Compare(b.Month), cmp.Compare(a.Quantity, b.Quantity))
	})
	_, err := tx.CopyFrom(ctx, pgx.Identifier{cellTable}, []string{"department", "months", "month", "quantity", "total"},
		pgx.CopyFromSlice(len(sorted), func(i int) ([]any, error) {
			c := sorted[i]
			return []any{c.Department, c.Months, c.Month, c.Quantity, cells[c]}, nil
		}))
	if err != nil {
		return fmt.Errorf("copy into %s: %w", cellTable, err)
	}
	return nil
}

// writeCells adds to the department's sums. A sum of nothing is no row.
func writeCells(ctx context.Context, tx pgx.Tx, cells map[department.Cell]int64) error {
	if len(cells) == 0 {
		return nil
	}
	var (
		departments, quantities []string
		lengths                 []int16
		months                  []time.Time
		totals                  []int64
	)
	for cell, total := range cells {
		departments, quantities = append(departments, cell.Department), append(quantities, cell.Quantity)
		lengths, months, totals = append(lengths, cell.Months), append(months, cell.Month), append(totals, total)
	}
	empty, err := pg.Structs[department.Cell](ctx, tx, addCellsSQL, departments, lengths, months, quantities, totals)
	if err != nil {
		return fmt.Errorf("add to %s: %w", cellTable, err)
	}
	if len(empty) == 0 {
		return nil
	}
	departments, lengths, months, quantities = nil, nil, nil, nil
	for _, cell := range empty {
		departments, quantities = append(departments, cell.Department), append(quantities, cell.Quantity)
		lengths, months = append(lengths, cell.Months), append(months, cell.Month)
	}
	if _, err := tx.Exec(ctx, dropEmptyCellsSQL, departments, lengths, months, quantities); err != nil {
		return fmt.Errorf("clear %s: %w", cellTable, err)
	}
	return nil
}
