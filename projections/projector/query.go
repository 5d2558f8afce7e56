package projector

import (
	"context"
	_ "embed"
	"fmt"
	"reflect"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
)

var (
	//go:embed sql/add_cells.sql
	addCellsSQL string
	//go:embed sql/drop_empty_cells.sql
	dropEmptyCellsSQL string
	//go:embed sql/find_identities.sql
	findIdentitiesSQL string
	//go:embed sql/take_position.sql
	takePositionSQL string
	//go:embed sql/set_position.sql
	setPositionSQL string
	//go:embed sql/set_checkpoint.sql
	setCheckpointSQL string
	//go:embed sql/raise_fence.sql
	raiseFenceSQL string
	//go:embed sql/count_intake.sql
	countIntakeSQL string
	//go:embed sql/load_entries.sql
	loadEntriesSQL string
	//go:embed sql/list_rivals.sql
	listRivalsSQL string
	//go:embed sql/read_log.sql
	readLogSQL string
	//go:embed sql/read_log_all.sql
	readLogAllSQL string
	//go:embed sql/notice_alarms.sql
	noticeAlarmsSQL string
)

// eachRow reads a table's rows of some surgeons.
func eachRow[T any](ctx context.Context, tx pgx.Tx, table pg.Table, surgeons []string, use func(T)) error {
	rows, err := pg.Structs[T](ctx, tx, "SELECT "+columnList(table.Columns)+" FROM "+table.Name+" WHERE surgeon = ANY ($1)", surgeons)
	if err != nil {
		return fmt.Errorf("load %s: %w", table.Name, err)
	}
	for _, r := range rows {
		use(r)
	}
	return nil
}

// differing calls use for each key whose row came, went or changed.
func differing(before, after *rowset, table int, use func([2]string)) {
	for k, row := range before.rows[table] {
		if now, ok := after.rows[table][k]; !ok || !sameRow(row, now) {
			use(k)
		}
	}
	for k := range after.rows[table] {
		if _, ok := before.rows[table][k]; !ok {
			use(k)
		}
	}
}

func sameRow(a, b pg.Row) bool { return reflect.DeepEqual(a, b) }

func sortedKeys(m map[string]bool) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
