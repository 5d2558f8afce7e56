package measure

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// row is one line of a file of reference values, by column.
type row struct {
	t      *testing.T
	file   string
	where  string
	fields map[string]string
}

// readRows reads testdata/reference/<name>.csv; its README.md says where the
// values come from and how far each column can be trusted.
func readRows(t *testing.T, name string) []row {
	t.Helper()
	return readFile(t, filepath.Join("..", "..", "testdata", "reference", name+".csv"))
}

// readPublished reads testdata/published/<name>.csv.
func readPublished(t *testing.T, name string) []row {
	t.Helper()
	return readFile(t, filepath.Join("..", "..", "testdata", "published", name+".csv"))
}

func readFile(t *testing.T, path string) []row {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	lines, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) < 2 {
		t.Fatalf("%s has no rows", path)
	}
	var rows []row
	for i, line := range lines[1:] {
		fields := map[string]string{}
		for k, column := range lines[0] {
			fields[column] = line[k]
		}
		rows = append(rows, row{t, filepath.Base(path), filepath.Base(path) + " line " + strconv.Itoa(i+2), fields})
	}
	return rows
}

func (r row) has(column string) bool { return r.text(column) != "" }

func (r row) text(column string) string {
	text, ok := r.fields[column]
	if !ok {
		r.t.Fatalf("%s has no column %s", r.where, column)
	}
	return text
}

func (r row) number(column string) float64 {
	r.t.Helper()
	x, err := strconv.ParseFloat(r.text(column), 64)
	if err != nil {
		r.t.Fatalf("%s: %s: %v", r.where, column, err)
	}
	return x
}

func (r row) whole(column string) int { return int(r.number(column)) }

// relative fails unless got is want to a part in 1/tolerance.
func (r row) relative(column string, got, tolerance float64) {
	r.t.Helper()
	want := r.number(column)
	if want != 0 {
		note(r.file, column, math.Abs(got-want)/math.Abs(want), true, tolerance)
	}
	if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
		r.t.Errorf("%s: %s: got %.15g, want %.15g", r.where, column, got, want)
	}
}

// absolute fails unless got is within tolerance of want.
func (r row) absolute(column string, got, tolerance float64) {
	r.t.Helper()
	want := r.number(column)
	note(r.file, column, math.Abs(got-want), false, tolerance)
	if !(math.Abs(got-want) <= tolerance) {
		r.t.Errorf("%s: %s: got %.15g, want %.15g", r.where, column, got, want)
	}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

func must[T any](t *testing.T) func(v T, err error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// refused fails unless err is an *ArgumentError about the named argument.
func refused(t *testing.T, what string, err error, name string) {
	t.Helper()
	var argument *ArgumentError
	if !errors.As(err, &argument) {
		t.Errorf("%s: got error %v, want an *ArgumentError about %s", what, err, name)
		return
	}
	if argument.Name != name || argument.Allowed == "" || argument.Got == "" {
		t.Errorf("%s: got %+v, want one about %s that says what is allowed", what, argument, name)
	}
}
