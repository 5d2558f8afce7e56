package projector_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

var update = flag.Bool("update", false, "rewrite the expected parts of testdata/scenarios")

// scenarioFile is one readable story: what it shows, its events, the rows they
// come to and what is measured from them.
//
//	words
//	== events
//	[<source>:]<id> <time> <noun.participle> <subject> <data>
//	== rows
//	...
//	== measures
//	...
type scenarioFile struct {
	path   string
	words  string
	source string // the events part as written
	events []events.Event
	rows   string
	sums   string
}

const (
	scenarioSource     = "ehr-harbour"
	scenarioDepartment = "HARBOUR"
)

func readScenario(t *testing.T, path string) scenarioFile {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := scenarioFile{path: path}
	parts := strings.Split(string(text), "\n== ")
	s.words = parts[0]
	for _, part := range parts[1:] {
		name, body, _ := strings.Cut(part, "\n")
		body = strings.TrimSpace(body)
		switch name {
		case "events":
			s.source = body
		case "rows":
			s.rows = body
		case "measures":
			s.sums = body
		default:
			t.Fatalf("%s: a part called %q", path, name)
		}
	}
	for i, line := range strings.Split(s.source, "\n") {
		if strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		if len(f) < 4 {
			t.Fatalf("%s: event %d: %q", path, i, line)
		}
		data := "{}"
		if at := strings.Index(line, "{"); at >= 0 {
			data = line[at:]
		}
		source := scenarioSource
		id := f[0]
		if from, rest, named := strings.Cut(id, ":"); named {
			source, id = from, rest
		}
		body := fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":%q,"type":"lensledger.%s.v1","subject":%q,"department":%q,"time":%q,"data":%s}`,
			id, source, f[2], f[3], scenarioDepartment, f[1], data)
		e, problems := events.DecodeStructured([]byte(body))
		if len(problems) > 0 {
			t.Fatalf("%s: event %d: %v", path, i, problems)
		}
		s.events = append(s.events, e)
	}
	return s
}

// foldedRows folds the events in memory, without a server.
func (s scenarioFile) foldedRows() string {
	sets := map[string][]fold.Recorded{}
	for i, e := range s.events {
		sets[e.Subject] = append(sets[e.Subject], fold.Recorded{Sequence: uint64(i + 1), Hash: e.Hash(), Event: e})
	}
	codes := slices.Sorted(maps.Keys(sets))
	var out []any
	// All codes as one group: only standing joins unite them.
	for _, c := range fold.Component(archive.Subjects(codes, sets, events.AboutCase)) {
		row := outcome.RowOf(c)
		out = append(out, row)
		entries := learning.EntriesOf(c, row)
		slices.SortFunc(entries, func(a, b learning.Entry) int { return strings.Compare(a.Surgeon, b.Surgeon) })
		for _, e := range entries {
			out = append(out, e)
		}
	}
	return printRows(out)
}

// storedRows reads the same rows from Postgres.
func storedRows(t *testing.T, r *registry) string {
	t.Helper()
	operations := storedTable[outcome.Row](t, r, "SELECT "+strings.ReplaceAll(strings.Join(outcome.Table.Columns, ", "), "flags", "flags::text AS flags")+" FROM operation ORDER BY case_code")
	entries := storedTable[learning.Entry](t, r, "SELECT "+strings.Join(learning.EntryTable.Columns, ", ")+" FROM chart_entry ORDER BY case_code, surgeon")
	var out []any
	for _, o := range operations {
		out = append(out, o)
		for _, e := range entries {
			if e.CaseCode == o.CaseCode {
				out = append(out, e)
			}
		}
	}
	return printRows(out)
}

func storedTable[T any](t *testing.T, r *registry, sql string) []T {
	t.Helper()
	rows, err := r.Pool.Query(t.Context(), sql)
	if err != nil {
		t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// printRows writes rows readably: a line for each, without what is empty and
// without positions, which tell of arrival.
func printRows(rows []any) string {
	var b strings.Builder
	for _, row := range rows {
		text, err := json.Marshal(row)
		if err != nil {
			panic(err)
		}
		fields := map[string]any{}
		if err := json.Unmarshal(text, &fields); err != nil {
			panic(err)
		}
		kind := "operation"
		if _, entry := fields["Enters"]; entry {
			kind = "entry"
		}
		var words []string
		for _, k := range slices.Sorted(maps.Keys(fields)) {
			switch v := fields[k].(type) {
			case nil, bool:
				if v != true && k != "TakenOver" {
					continue
				}
			case string:
				if v == "" || v == "[]" || k == "CaseCode" {
					continue
				}
			case float64:
				if v == 0 || k == "FirstPosition" || k == "LastPosition" {
					continue
				}
			case []any:
				if len(v) == 0 || k == "DepartmentsSeen" || k == "SurgeonsSeen" {
					continue
				}
			}
			text, err := json.Marshal(fields[k])
			if err != nil {
				panic(err)
			}
			if k == "StartedAt" {
				continue // the same moment prints in the zone of whoever read it
			}
			if k == "Flags" {
				text = flagCodes(fields[k].(string))
			}
			words = append(words, k+"="+string(text))
		}
		fmt.Fprintf(&b, "%s %s\n  %s\n", kind, fields["CaseCode"], strings.Join(words, "\n  "))
	}
	return strings.TrimSpace(b.String())
}

// flagCodes lists the codes of flags, which the row holds as JSON.
func flagCodes(text string) []byte {
	var flags []fold.Flag
	if err := json.Unmarshal([]byte(text), &flags); err != nil {
		panic(err)
	}
	var codes []string
	for _, f := range flags {
		codes = append(codes, strings.TrimSpace(f.Code+" "+f.ID))
	}
	return []byte(strings.Join(codes, ", "))
}

// measures asks the read functions that the API answers with.
func measures(t *testing.T, r *registry) string {
	t.Helper()
	var b strings.Builder
	err := pg.AsActor(t.Context(), r.Pool, pg.Actor{Role: "quality", Departments: []string{scenarioDepartment}}, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(t.Context(), tx, "")
		if err != nil {
			return err
		}
		spans, err := department.Spans(t.Context(), tx)
		if err != nil {
			return err
		}
		for _, s := range spans {
			f, err := department.Read(t.Context(), tx, s.Department, s.Period, asOf)
			if err != nil {
				return err
			}
			fmt.Fprintf(&b, "%s %s to %s: operations %d, ruptures %d, expected %.6f, excluded %v\n", s.Department, f.From, f.To,
				f.Operations, f.CapsuleRupture.Events, f.CapsuleRupture.Expected, f.Excluded)
		}
		surgeons, err := tx.Query(t.Context(), "SELECT DISTINCT surgeon FROM chart_entry ORDER BY surgeon")
		if err != nil {
			return err
		}
		codes, err := pgx.CollectRows(surgeons, pgx.RowTo[string])
		if err != nil {
			return err
		}
		for _, code := range codes {
			charts, err := alarm.Charts(t.Context(), tx, code, asOf)
			if err != nil {
				return err
			}
			for _, c := range charts {
				fmt.Fprintf(&b, "%s %s %s (%s): part %d, left out %d", code, c.Design.Outcome, c.Design.Kind, c.Design.Code, c.Part, c.LeftOut)
				for _, p := range c.Points {
					fmt.Fprintf(&b, "; %d %s %d -> %.6f", p.CaseNumber, p.Case, p.Outcome, p.Value)
				}
				for _, a := range c.Alarms {
					fmt.Fprintf(&b, "; for review at %s", a.CaseCode)
				}
				b.WriteByte('\n')
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(b.String())
}

// Each scenario runs through the folds in memory and through Postgres; both come
// to the rows that stand in its file, and the read functions to its measures.
func TestScenarios(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/scenarios/*.txt")
	if err != nil || len(paths) == 0 {
		t.Fatal("no scenarios", err)
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			s := readScenario(t, path)
			folded := s.foldedRows()
			r := newRegistry(t)
			r.publish(t, s.events...)
			r.run(t, 3)
			r.noQuarantine(t)
			stored, sums := storedRows(t, r), measures(t, r)
			if d := cmp.Diff(strings.Split(folded, "\n"), strings.Split(stored, "\n")); d != "" {
				t.Errorf("folded and stored rows differ:\n%s", d)
			}
			if *update {
				var b bytes.Buffer
				fmt.Fprintf(&b, "%s\n== events\n%s\n\n== rows\n%s\n\n== measures\n%s\n", strings.TrimRight(s.words, "\n"), s.source, folded, sums)
				if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if d := cmp.Diff(strings.Split(s.rows, "\n"), strings.Split(folded, "\n")); d != "" {
				t.Errorf("rows:\n%s", d)
			}
			if d := cmp.Diff(strings.Split(s.sums, "\n"), strings.Split(sums, "\n")); d != "" {
				t.Errorf("measures:\n%s", d)
			}
		})
	}
}
