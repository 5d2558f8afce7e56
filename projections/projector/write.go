package projector

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/department"
	"lensledger/projections/pg"
)

// writeDifference turns the rows of before into those of after, table by table:
// what changed or went is deleted by key, what changed or came is copied in.
func writeDifference(ctx context.Context, tx pgx.Tx, before, after *rowset) error {
	for i, table := range tables {
		if err := writeTable(ctx, tx, table, before.rows[i], after.rows[i]); err != nil {
			return err
		}
	}
	return writeCells(ctx, tx, after.cells)
}

func writeTable(ctx context.Context, tx pgx.Tx, table pg.Table, before, after map[[2]string]pg.Row) error {
	var first, second []string
	var fresh []pg.Row
	for _, row := range sortedRows(before) {
		key := row.Key()
		if now, stays := after[key]; !stays || !sameRow(row, now) {
			first, second = append(first, key[0]), append(second, key[1])
		}
	}
	for _, row := range sortedRows(after) {
		if was, stood := before[row.Key()]; !stood || !sameRow(row, was) {
			fresh = append(fresh, row)
		}
	}
	if len(first) > 0 {
		if err := deleteRows(ctx, tx, table, first, second); err != nil {
			return err
		}
	}
	return copyRows(ctx, tx, table, fresh)
}

func deleteRows(ctx context.Context, tx pgx.Tx, table pg.Table, first, second []string) error {
	var err error
	if len(table.Key) == 1 {
		_, err = tx.Exec(ctx, "DELETE FROM "+table.Name+" WHERE "+table.Key[0]+" = ANY ($1)", first)
	} else {
		_, err = tx.Exec(ctx, "DELETE FROM "+table.Name+" t USING unnest($1::text[], $2::text[]) AS k (a, b) WHERE t."+
			table.Key[0]+" = k.a AND t."+table.Key[1]+"::text = k.b", first, second)
	}
	if err != nil {
		return fmt.Errorf("delete from %s: %w", table.Name, err)
	}
	return nil
}

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

// writeCells adds to the department's sums. A sum of nothing is no row.
func writeCells(ctx context.Context, tx pgx.Tx, cells map[department.Cell]int64) error {
	if len(cells) == 0 {
		return nil
	}
	var (
		departments, quantities []string
		months                  []time.Time
		totals                  []int64
	)
	for cell, total := range cells {
		departments, quantities = append(departments, cell.Department), append(quantities, cell.Quantity)
		months, totals = append(months, cell.Month), append(totals, total)
	}
	if _, err := tx.Exec(ctx, addCellsSQL, departments, months, quantities, totals); err != nil {
		return fmt.Errorf("add to %s: %w", cellTable, err)
	}
	if _, err := tx.Exec(ctx, dropEmptyCellsSQL, departments, months, quantities); err != nil {
		return fmt.Errorf("clear %s: %w", cellTable, err)
	}
	return nil
}
