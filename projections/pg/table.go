package pg

// Table describes a read-model table: its rows are written and replaced whole.
type Table struct {
	Name    string
	Key     []string // key columns, text, one or two, the first ones of Columns
	Columns []string // in the order of Row.Values
}

// Row is one row of a Table.
type Row interface {
	Key() [2]string // values of the key columns; the second is empty for a single key
	Values() []any  // one value for each column
}
