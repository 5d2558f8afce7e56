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
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
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

// tables are the rows of some cases, by kind.
type tables struct {
	operations []outcome.Row
	eyes       []outcome.EyeRow
	entries    []learning.Entry
	steps      []learning.StepEntry
	points     []feedback.Point
	reviews    []feedback.Review
}

// lines prints the rows case by case.
func (t tables) lines() string {
	var b strings.Builder
	for _, o := range t.operations {
		printRow(&b, "operation", o.CaseCode, o)
		of := o.CaseCode
		printOf(&b, "eye", of, t.eyes, func(r outcome.EyeRow) string { return r.CaseCode })
		printOf(&b, "entry", of, t.entries, func(r learning.Entry) string { return r.CaseCode })
		printOf(&b, "steps", of, t.steps, func(r learning.StepEntry) string { return r.CaseCode })
		printOf(&b, "point", of, t.points, func(r feedback.Point) string { return r.CaseCode })
		printOf(&b, "review", of, t.reviews, func(r feedback.Review) string { return r.CaseCode })
	}
	return strings.TrimSpace(b.String())
}

func printOf[R pg.Row](b *strings.Builder, kind, code string, rows []R, caseOf func(R) string) {
	rows = slices.DeleteFunc(slices.Clone(rows), func(r R) bool { return caseOf(r) != code })
	slices.SortFunc(rows, func(x, y R) int { return strings.Compare(x.Key()[1], y.Key()[1]) })
	for _, r := range rows {
		printRow(b, kind, code, r)
	}
}

// foldedRows folds the events in memory, without a server.
func (s scenarioFile) foldedRows() string {
	sets := map[string][]fold.Recorded{}
	for i, e := range s.events {
		sets[e.Subject] = append(sets[e.Subject], fold.Recorded{Sequence: uint64(i + 1), Hash: e.Hash(), Event: e})
	}
	codes := slices.Sorted(maps.Keys(sets))
	var out tables
	// All codes as one group: only standing joins unite them.
	for _, c := range fold.Component(archive.Subjects(codes, sets, events.AboutCase)) {
		row := outcome.RowOf(c)
		out.operations = append(out.operations, row)
		if e, ok := outcome.EyeOf(c, row); ok {
			out.eyes = append(out.eyes, e)
		}
		out.entries = append(out.entries, learning.EntriesOf(c, row)...)
		out.steps = append(out.steps, learning.StepEntriesOf(c, row)...)
		out.points = append(out.points, feedback.PointsOf(c, row)...)
		out.reviews = append(out.reviews, feedback.ReviewsOf(c, row)...)
	}
	return out.lines()
}

// storedRows reads the same rows from Postgres.
func storedRows(t *testing.T, r *registry) string {
	t.Helper()
	all := func(table pg.Table) string {
		columns := strings.ReplaceAll(strings.Join(table.Columns, ", "), ", flags", ", flags::text AS flags")
		return "SELECT " + columns + " FROM " + table.Name + " ORDER BY case_code"
	}
	return tables{
		operations: storedTable[outcome.Row](t, r, all(outcome.Table)),
		eyes:       storedTable[outcome.EyeRow](t, r, all(outcome.EyeTable)),
		entries:    storedTable[learning.Entry](t, r, all(learning.EntryTable)),
		steps:      storedTable[learning.StepEntry](t, r, all(learning.StepTable)),
		points:     storedTable[feedback.Point](t, r, all(feedback.PointTable)),
		reviews:    storedTable[feedback.Review](t, r, all(feedback.ReviewTable)),
	}.lines()
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

// Fields that a row shares with its operation, or that tell of arrival.
var unprinted = map[string]bool{"CaseCode": true, "case": true, "FirstPosition": true, "LastPosition": true, "DepartmentsSeen": true,
	"SurgeonsSeen": true}

var shared = map[string]bool{"Department": true, "department": true, "People": true, "Patient": true, "Eye": true, "OperatedOn": true}

// printRow writes a row readably: a line for each field, without what is empty. A
// yes or no that may be unknown is written when it is no, too.
func printRow(b *strings.Builder, kind, code string, row any) {
	text, err := json.Marshal(row)
	if err != nil {
		panic(err)
	}
	fields := map[string]any{}
	if err := json.Unmarshal(text, &fields); err != nil {
		panic(err)
	}
	var words []string
	for _, k := range slices.Sorted(maps.Keys(fields)) {
		if unprinted[k] || kind != "operation" && shared[k] {
			continue
		}
		switch v := fields[k].(type) {
		case nil:
			if k != "TakenOver" {
				continue
			}
		case bool:
			if !v && !slices.Contains([]string{"TakenOver", "SecondEye", "Copathology", "VisualLoss"}, k) {
				continue
			}
		case string:
			if v == "" || v == "[]" {
				continue
			}
			if _, err := time.Parse(time.RFC3339, v); err == nil && !strings.Contains(v, "T00:00:00Z") {
				continue // the same moment prints in the zone of whoever read it
			}
		case float64:
			if v == 0 && !strings.Contains(k, "Hundredths") && !strings.Contains(k, "Thousandths") && !strings.Contains(k, "Micro") {
				continue
			}
		case []any:
			if len(v) == 0 {
				continue
			}
		}
		text, err := json.Marshal(fields[k])
		if err != nil {
			panic(err)
		}
		if k == "Flags" {
			text = flagCodes(fields[k].(string))
		}
		words = append(words, k+"="+string(text))
	}
	fmt.Fprintf(b, "%s %s\n  %s\n", kind, code, strings.Join(words, "\n  "))
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
	err := pg.AsActor(t.Context(), r.Pool, pg.Actor{Role: "quality", Departments: []string{scenarioDepartment, "PIER"}}, func(tx pgx.Tx) error {
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
			fmt.Fprintf(&b, "%s vision: eyes %d, known before %d, after %d, loss %d of %d, excluded %v\n", s.Department,
				f.Vision.Eyes, f.Vision.Before.N, f.Vision.After.N, f.Vision.Loss.Events, f.Vision.Loss.N, f.Vision.Excluded)
			fmt.Fprintf(&b, "%s refraction: main %d, all eyes %d of which within 0.50 D %d, within 1.00 D %d, excluded %v\n", s.Department,
				f.Refraction.N, f.Refraction.AllEyes.N, f.Refraction.AllEyes.Within050.Count, f.Refraction.AllEyes.Within100.Count, f.Refraction.Excluded)
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
			standing, err := learning.Standing(t.Context(), tx, code, asOf)
			if err != nil {
				return err
			}
			if standing.Enrolled {
				fmt.Fprintf(&b, "%s %s of %s, prior %d and %d in part\n", code, standing.Post, standing.Department, standing.PriorWhole, standing.PriorPart)
			}
			progress, err := learning.ReadProgress(t.Context(), tx, code, asOf)
			if err != nil {
				return err
			}
			fmt.Fprintf(&b, "%s at case %d: whole %d, part %d; missing before %d, after %d, refraction %d\n", code, progress.CaseNumber,
				progress.WholeCases, progress.PartCases, progress.Missing.AcuityBefore, progress.Missing.AcuityAfter, progress.Missing.Refraction)
			said, err := feedback.Points(t.Context(), tx, code, asOf)
			if err != nil {
				return err
			}
			for _, p := range said.Points {
				fmt.Fprintf(&b, "%s %s: advised by %s on %s; before in %d of %d, after in %d of %d, nobody looked %d times; %s\n", code, p.TeachingPoint,
					p.Advised.By, p.Advised.Case, p.Before.With, p.Before.N, p.After.With, p.After.N, p.Before.NotLooked+p.After.NotLooked, p.State)
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
