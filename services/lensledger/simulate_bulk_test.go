package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
)

// memoryBound is what a rebuild or a verification may hold beside Postgres, however
// long the record is: 512 MB of resident memory, the program itself included.
const memoryBound = 512 << 20

// bulk runs the commands of the bulk path as processes, as an operator does.
type bulk struct {
	url, base string
}

// command is what a command came to.
type command struct {
	took time.Duration
	most int64 // peak of its resident memory in bytes; 0 where the system doesn't say
	said string
}

// run runs a command of the program against the registry.
func (k bulk) run(t testing.TB, arguments ...string) command {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program, arguments...)
	cmd.Env = append(slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "NATS_URL=") }),
		childVariable+"=1", "DATABASE_URL="+k.url, "LENSLEDGER_SCHEMA="+k.base)
	cmd.Stdout, cmd.Stderr = &said, &said
	began := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	most := make(chan int64)
	go func() {
		var peak int64
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-ended:
				most <- peak
				return
			case <-tick.C:
				peak = max(peak, highWater(cmd.Process.Pid))
			}
		}
	}()
	err = cmd.Wait()
	took := time.Since(began)
	close(ended)
	c := command{took, <-most, said.String()}
	if err != nil {
		t.Fatalf("lensledger %s: %v: %s", strings.Join(arguments, " "), err, c.said)
	}
	if runtime.GOOS == "linux" && c.most == 0 {
		t.Fatalf("lensledger %s: its memory couldn't be read", arguments[0])
	}
	return c
}

var highWaterLine = regexp.MustCompile(`VmHWM:\s+(\d+) kB`)

// highWater is the peak of a process's resident memory so far, as Linux counts it.
func highWater(pid int) int64 {
	status, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/status")
	if err != nil {
		return 0
	}
	m := highWaterLine.FindSubmatch(status)
	if m == nil {
		return 0
	}
	kb, _ := strconv.ParseInt(string(m[1]), 10, 64) // digits, by the pattern
	return kb << 10
}

// bounded runs a command that may not hold more than it may, however many the cases.
func (k bulk) bounded(t testing.TB, cases int, arguments ...string) {
	t.Helper()
	c := k.run(t, arguments...)
	t.Logf("%s of %d cases holds %d MB at most", arguments[0], cases, c.most>>20)
	if c.most > memoryBound {
		t.Errorf("%s of %d cases holds %d MB at most, allowed %d", arguments[0], cases, c.most>>20, int64(memoryBound)>>20)
	}
}

// The bulk path at 20,000 cases, 730,000 events, where CI is set, else at a fifth of
// them: it isn't timed, but its memory is bounded. That it gives the live path's rows
// is TestFileArchive's.
func TestBulkPath(t *testing.T) {
	db := pgtest.New(t)
	cases := 4_000
	if os.Getenv("CI") != "" {
		cases = 20_000
	}
	k := bulk{db.URL, db.Base}
	k.bounded(t, cases, "simulate", "--cases", strconv.Itoa(cases), "--to-archive")
	k.bounded(t, cases, "rebuild")
	var operations int
	if err := db.Pool.QueryRow(t.Context(), "SELECT count(*) FROM operation WHERE operated_on IS NOT NULL").Scan(&operations); err != nil {
		t.Fatal(err)
	}
	if operations != cases {
		t.Errorf("%d operations of %d", operations, cases)
	}
}

// BenchmarkMillion is the bulk path at as many cases as CASES says, by the program's
// own commands, and what readers and pages wait for then. It prints a table. TMPDIR is where it
// needs room; docs/benchmarks.md says how much.
func BenchmarkMillion(b *testing.B) {
	text := os.Getenv("CASES")
	if text == "" {
		b.Skip("it takes hours and is run by make bench-million, which sets CASES")
	}
	cases, err := strconv.Atoi(text)
	if err != nil {
		b.Fatal(err)
	}
	db := pgtest.New(b)
	k := bulk{db.URL, db.Base}
	var table strings.Builder
	row := func(what, measured, against string) {
		fmt.Fprintf(&table, "| %s | %s | %s |\n", what, measured, against)
	}
	for b.Loop() {
		filing := k.run(b, "simulate", "--cases", strconv.Itoa(cases), "--to-archive")
		events := count(b, db.Pool, "SELECT position FROM stream_state")
		size := count(b, db.Pool, "SELECT sum(pg_total_relation_size(oid)) FROM pg_class WHERE relkind = 'r' AND relnamespace = '"+db.Base+"'::regnamespace")
		row("filed by COPY", rate(events, filing), fmt.Sprintf("%d events, archive of %.1f kB a case", events, float64(size)/float64(cases)/1e3))
		before := bareCopy(b, db)
		rebuild := k.run(b, "rebuild")
		bare := (before + bareCopy(b, db)) / 2
		row("bare COPY of the same bytes, in batches of 500", fmt.Sprintf("%.0f events/s", bare), "before and after the rebuild; the first 200,000 events at most")
		row("rebuild", rate(events, rebuild), fmt.Sprintf("%.2f of the bare COPY", float64(events)/rebuild.took.Seconds()/bare))
		verify := k.run(b, "verify")
		row("verify", rate(events, verify), "")
		for name, c := range map[string]command{"simulate": filing, "rebuild": rebuild, "verify": verify} {
			if c.most > memoryBound {
				b.Errorf("%s holds %d MB at most, allowed %d", name, c.most>>20, int64(memoryBound)>>20)
			}
		}
		models := count(b, db.Pool, "SELECT sum(pg_total_relation_size(oid)) FROM pg_class WHERE relkind = 'r' AND relnamespace = '"+pg.ModelSchema(db.Base)+"'::regnamespace")
		row("read models", fmt.Sprintf("%.1f kB a case", float64(models)/float64(cases)/1e3), "")
		answers(b, db, row)
		for _, p := range timePages(b, db)[:10] {
			row(fmt.Sprintf("page %s as %s", p.path, p.who), fmt.Sprintf("p50 %.1f ms, p99 %.1f ms", milliseconds(p.median), milliseconds(p.high)),
				"the slowest ten of all; wanted: under 150 ms")
		}
	}
	fmt.Printf("\n%d cases, %s\n\n| what | measured | against |\n|---|---|---|\n%s\n", cases, time.Now().UTC().Format(time.DateOnly), table.String())
}

func rate(events int64, c command) string {
	return fmt.Sprintf("%.0f events/s, %s, %d MB at most", float64(events)/c.took.Seconds(), c.took.Round(100*time.Millisecond), c.most>>20)
}

func count(b *testing.B, pool *pgxpool.Pool, sql string) int64 {
	b.Helper()
	var n int64
	if err := pool.QueryRow(b.Context(), sql).Scan(&n); err != nil {
		b.Fatal(err)
	}
	return n
}

// bareCopy is the raw limit of a rebuild: the archive's first bytes by COPY in
// batches of 500 into a table without an index, events a second.
func bareCopy(b *testing.B, db *pgtest.DB) float64 {
	b.Helper()
	ctx := b.Context()
	rows, err := db.Pool.Query(ctx, "SELECT body FROM event_log WHERE sequence <= 200000 ORDER BY sequence")
	if err != nil {
		b.Fatal(err)
	}
	bodies, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
	if err != nil {
		b.Fatal(err)
	}
	if _, err := db.Pool.Exec(ctx, "DROP TABLE IF EXISTS "+db.Base+".bare; CREATE TABLE "+db.Base+".bare (sequence bigint, body bytea)"); err != nil {
		b.Fatal(err)
	}
	began := time.Now()
	for start := 0; start < len(bodies); start += 500 {
		part := bodies[start:min(start+500, len(bodies))]
		if _, err := db.Pool.CopyFrom(ctx, pgx.Identifier{db.Base, "bare"}, []string{"sequence", "body"},
			pgx.CopyFromSlice(len(part), func(i int) ([]any, error) { return []any{int64(start + i), part[i]}, nil })); err != nil {
			b.Fatal(err)
		}
	}
	took := time.Since(began)
	if _, err := db.Pool.Exec(ctx, "DROP TABLE "+db.Base+".bare"); err != nil {
		b.Fatal(err)
	}
	return float64(len(bodies)) / took.Seconds()
}

// answers measures what a reader waits for, in the read function's transaction,
// without HTTP: now, and as of the middle of a department's record, where the most
// cases are folded again.
func answers(b *testing.B, db *pgtest.DB, row func(what, measured, against string)) {
	b.Helper()
	ctx := b.Context()
	type middle struct {
		Department string
		Position   int64
		Straddling int64
	}
	var departments []middle
	err := pg.AsWriter(ctx, db.Pool, func(tx pgx.Tx) (err error) {
		departments, err = pg.Structs[middle](ctx, tx, `WITH middle AS (
				SELECT department, percentile_disc(0.5) WITHIN GROUP (ORDER BY first_position) AS position FROM operation WHERE counts GROUP BY department)
			SELECT m.department, m.position, count(*) FILTER (WHERE o.first_position <= m.position AND o.last_position > m.position) AS straddling
			FROM middle m JOIN operation o ON o.department = m.department GROUP BY m.department, m.position ORDER BY count(*) DESC, m.department`)
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	codes := make([]string, len(departments))
	for i, d := range departments {
		codes[i] = d.Department
	}
	year, err := department.ParsePeriod("2024-01", "2024-12")
	if err != nil {
		b.Fatal(err)
	}
	actor := pg.Actor{Role: "figures", Departments: codes}
	ask := func(what, against string, times int, question func(tx pgx.Tx, i int) error) {
		var took []time.Duration
		for i := range times {
			began := time.Now()
			if err := pg.AsActor(ctx, db.Pool, actor, func(tx pgx.Tx) error { return question(tx, i) }); err != nil {
				b.Fatal(err)
			}
			took = append(took, time.Since(began))
		}
		slices.Sort(took)
		row(what, fmt.Sprintf("p50 %.1f ms, p99 %.1f ms", milliseconds(took[times/2]), milliseconds(took[times*99/100])), against)
	}
	few := departments[:min(20, len(departments))]
	var straddling int64
	for _, d := range few {
		straddling = max(straddling, d.Straddling)
	}
	read := func(asOf func(i int) string, figures bool) func(tx pgx.Tx, i int) error {
		return func(tx pgx.Tx, i int) error {
			at, err := archive.Resolve(ctx, tx, asOf(i))
			if err != nil {
				return err
			}
			if figures {
				_, err = department.ReadFigures(ctx, tx, codes, year, at, true)
				return err
			}
			_, err = department.Read(ctx, tx, few[i%len(few)].Department, year, at)
			return err
		}
	}
	now := func(int) string { return "" }
	ask("a year's benchmarks of a department, now", "wanted: under 50 ms", 300, read(now, false))
	ask(fmt.Sprintf("a year's figures of all %d departments, now", len(codes)), "wanted: under 50 ms", 50, read(now, true))
	ask("a year's benchmarks of a department as of the middle of its record",
		fmt.Sprintf("wanted: under 1 s; up to %d cases folded again", straddling), 60,
		read(func(i int) string { return strconv.FormatInt(few[i%len(few)].Position, 10) }, false))
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
