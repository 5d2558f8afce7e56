package projector

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

// ModelVersion names the definition of the read models. Any change to a fold, a
// row function or a table raises it, and the next start rebuilds.
const ModelVersion = "5"

// Tables of the read models whose rows follow from folds, in the order of writing.
const (
	tableOperation = iota
	tableEye
	tableEntry
	tableStep
	tableSurgeon
	tableDesign
	tableReview
	tableHandling
	tableChart
	tableAlarm
	tableBand
	tablePoint
	tableCaseReview
	tableQuestion
	tableCount
)

var tables = [tableCount]pg.Table{
	tableOperation:  outcome.Table,
	tableEye:        outcome.EyeTable,
	tableEntry:      learning.EntryTable,
	tableStep:       learning.StepTable,
	tableSurgeon:    learning.SurgeonTable,
	tableDesign:     alarm.DesignTable,
	tableReview:     alarm.ReviewTable,
	tableHandling:   alarm.HandlingTable,
	tableChart:      alarm.ChartTable,
	tableAlarm:      alarm.Table,
	tableBand:       learning.BandTable,
	tablePoint:      feedback.PointTable,
	tableCaseReview: feedback.ReviewTable,
	tableQuestion:   feedback.QuestionTable,
}

const cellTable = "department_cell"

// createModel makes empty tables of all read models in a schema that doesn't
// exist yet. The archive's schema has to be on the search path.
func createModel(ctx context.Context, tx pgx.Tx, schema, archive string) error {
	name := pgx.Identifier{schema}.Sanitize()
	statements := []string{
		"CREATE SCHEMA " + name,
		"SET LOCAL search_path = " + name + ", " + pgx.Identifier{archive}.Sanitize(),
		checkpointSQL, learning.CreateSQL, outcome.CreateSQL, department.CreateSQL, alarm.CreateSQL, feedback.CreateSQL,
		"GRANT USAGE ON SCHEMA " + name + " TO lensledger_reader, lensledger_writer",
		"GRANT SELECT ON ALL TABLES IN SCHEMA " + name + " TO lensledger_reader",
		"GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA " + name + " TO lensledger_writer",
	}
	for _, s := range statements {
		if _, err := tx.Exec(ctx, s); err != nil {
			return fmt.Errorf("create read models in %s: %w", schema, err)
		}
	}
	_, err := tx.Exec(ctx, "INSERT INTO checkpoint (position, version) VALUES (0, $1)", ModelVersion)
	return err
}

// checkpointSQL: a copy of the read models knows how far it has come.
const checkpointSQL = `CREATE TABLE checkpoint (
    only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    position bigint NOT NULL,
    version  text NOT NULL
)`

// rowset is what some folds come to: rows by table and key, and sums by cell.
type rowset struct {
	rows  [tableCount]map[[2]string]pg.Row
	cells map[department.Cell]int64 // nil where nobody asks for sums
}

func newRowset() *rowset {
	r := &rowset{cells: map[department.Cell]int64{}}
	for i := range r.rows {
		r.rows[i] = map[[2]string]pg.Row{}
	}
	return r
}

func (r *rowset) add(table int, row pg.Row) { r.rows[table][row.Key()] = row }

// addCases adds the rows of folded cases; sign says whether their sums are added
// to or taken from the cells.
func (r *rowset) addCases(cases []fold.Case, sign int64) {
	for _, c := range cases {
		row := outcome.RowOf(c)
		r.add(tableOperation, row)
		var eye *outcome.EyeRow
		if e, counts := outcome.EyeOf(c, row); counts {
			eye = &e
			r.add(tableEye, e)
		}
		for _, e := range learning.EntriesOf(c, row) {
			r.add(tableEntry, e)
		}
		for _, e := range learning.StepEntriesOf(c, row) {
			r.add(tableStep, e)
		}
		for _, p := range feedback.PointsOf(c, row) {
			r.add(tablePoint, p)
		}
		for _, p := range feedback.ReviewsOf(c, row) {
			r.add(tableCaseReview, p)
		}
		for _, q := range feedback.QuestionsOf(c) {
			r.add(tableQuestion, q)
		}
		if r.cells != nil {
			department.Add(r.cells, row, eye, sign)
		}
	}
}

func (r *rowset) addSurgeon(s fold.Surgeon) { r.add(tableSurgeon, learning.SurgeonOf(s)) }

func (r *rowset) addChart(c fold.Chart) {
	if d, ok := alarm.DesignRowOf(c); ok {
		r.add(tableDesign, d)
	}
	for _, review := range alarm.ReviewRowsOf(c) {
		r.add(tableReview, review)
	}
	for _, handling := range alarm.HandlingRowsOf(c) {
		r.add(tableHandling, handling)
	}
}

// sortedRows lists a table's rows by key, so that what is written never depends
// on map order.
func sortedRows(m map[[2]string]pg.Row) []pg.Row {
	keys := make([][2]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [2]string) int { return slices.Compare(a[:], b[:]) })
	out := make([]pg.Row, len(keys))
	for i, k := range keys {
		out[i] = m[k]
	}
	return out
}

func columnList(columns []string) string { return strings.Join(columns, ", ") }
