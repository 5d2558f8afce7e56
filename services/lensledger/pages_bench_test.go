package main

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
	"lensledger/services/access"
)

// pageRequests is how often each page is asked for, after pageFirst that open
// connections, prepare statements and design charts.
const pageRequests, pageFirst = 200, 3

// place is what the pages are asked about.
type place struct {
	Department, Surgeon, Trainer, CaseCode string
	Month                                  string // the newest with operations, YYYY-MM
	Middle, Last                           int64  // positions
}

// pageTime is how long a page took to come, over loopback and signed in.
type pageTime struct {
	who    access.Role
	path   string
	median time.Duration
	high   time.Duration // 99th percentile
	bytes  int64         // compressed
}

// BenchmarkPages asks for every page of the access matrix as everybody who may see
// it, 200 times each, with the demo's events on record. It prints the pages by their
// 99th percentile. With DATABASE_URL and REGISTRY, the name of a schema that the
// database holds, it asks that registry instead.
func BenchmarkPages(b *testing.B) {
	for b.Loop() {
		var db *pgtest.DB
		if base := os.Getenv("REGISTRY"); base != "" {
			pool, err := pg.Connect(b.Context(), os.Getenv("DATABASE_URL"), base, poolSize)
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(pool.Close)
			db = &pgtest.DB{URL: os.Getenv("DATABASE_URL"), Base: base, Pool: pool}
		} else {
			w := newWorld(b, func(log *stream.Stream) {
				var all []stream.Outgoing
				for e := range simulate.Demo().Events() {
					all = append(all, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
				}
				send(b, log, all...)
			})
			w.wait(b)
			w.stop()
			db = w.DB
		}
		times := timePages(b, db)
		for _, p := range times {
			fmt.Printf("| %s | %s | %.1f | %.1f | %.1f |\n", p.path, p.who, milliseconds(p.median), milliseconds(p.high), float64(p.bytes)/1000)
		}
		b.ReportMetric(milliseconds(times[0].median), "slowest-p50-ms")
		b.ReportMetric(milliseconds(times[0].high), "slowest-p99-ms")
		b.ReportMetric(0, "ns/op")
	}
}

// timePages asks a registry for every page, in a program that projects nothing, and
// lists them by their 99th percentile, slowest first.
func timePages(b *testing.B, db *pgtest.DB) []pageTime {
	b.Helper()
	at := placeOf(b, db)
	w := newReader(b, db)
	actors := []access.Actor{
		{Role: access.Integrator, Source: "ehr-harbour", Departments: []string{at.Department}},
		{Role: access.Trainer, Surgeon: at.Trainer, Supervises: []string{at.Surgeon}, Departments: []string{at.Department}},
		{Role: access.Trainee, Surgeon: at.Surgeon},
		{Role: access.Quality, Departments: []string{at.Department}},
		{Role: access.Auditor, Departments: departmentsOf(b, db, at.Department)},
		{Role: access.Administrator},
	}
	surgeon := url.Values{"surgeon": {at.Surgeon}}.Encode()
	period := fmt.Sprintf("from=%s&to=%s", at.Month, at.Month)
	queries := map[string]string{
		"/charts":                surgeon + "&outcome=capsule-rupture&kind=detection",
		"/figures/changes":       fmt.Sprintf("%s&before=%d&after=%d", period, at.Middle, at.Last),
		"/figures.csv":           period,
		"/figures.json":          period,
		"/figures/manifest.json": period + "&form=csv",
		"/my/charts":             surgeon,
		"/my/progress":           surgeon,
		"/my/logbook":            surgeon,
	}
	address := strings.NewReplacer("{department}", at.Department, "{case}", at.CaseCode)
	var all []pageTime
	for _, row := range access.Matrix {
		if row.Method != http.MethodGet || !row.Page || strings.Contains(row.Route, "sign-in") {
			continue
		}
		for _, who := range actors {
			if !row.Public && !row.Allows(who.Role) {
				continue
			}
			path := address.Replace(row.Route)
			if query := queries[row.Route]; query != "" {
				path += "?" + query
			}
			who.Subject = "bench-" + string(who.Role)
			all = append(all, w.timePage(b, who, path))
		}
	}
	slices.SortFunc(all, func(a, b pageTime) int { return cmp.Compare(b.high, a.high) })
	return all
}

// timePage asks for one page again and again, as one person.
func (w *world) timePage(b *testing.B, who access.Actor, path string) pageTime {
	b.Helper()
	token, err := w.issuer.Token(who)
	if err != nil {
		b.Fatal(err)
	}
	request, err := http.NewRequestWithContext(b.Context(), http.MethodGet, w.url+path, nil)
	if err != nil {
		b.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+token)
	request.Header.Set("Accept-Encoding", "gzip")
	p := pageTime{who: who.Role, path: path}
	took := make([]time.Duration, 0, pageRequests)
	for i := range pageFirst + pageRequests {
		began := time.Now()
		answer, err := http.DefaultClient.Do(request)
		if err != nil {
			b.Fatal(err)
		}
		p.bytes, err = io.Copy(io.Discard, answer.Body)
		_ = answer.Body.Close()
		if err != nil {
			b.Fatal(err)
		}
		if answer.StatusCode != http.StatusOK {
			b.Errorf("%s as %s: %s", path, who.Role, answer.Status)
			break
		}
		if i >= pageFirst {
			took = append(took, time.Since(began))
		}
	}
	p.median, p.high = quantile(took, 50), quantile(took, 99)
	return p
}

// placeOf finds the department with the most operations, the surgeon there with the
// most whole cases who has a trainer, and the newest of those.
func placeOf(b *testing.B, db *pgtest.DB) place {
	b.Helper()
	var found []place
	err := pg.AsWriter(b.Context(), db.Pool, func(tx pgx.Tx) (err error) {
		found, err = pg.Structs[place](b.Context(), tx, placeSQL)
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	if len(found) != 1 {
		b.Fatal("no department has a surgeon who was trained")
	}
	return found[0]
}

const placeSQL = `WITH busiest AS (
		SELECT department, to_char(max(operated_on), 'YYYY-MM') AS month,
			percentile_disc(0.5) WITHIN GROUP (ORDER BY first_position) AS middle
		FROM operation WHERE counts GROUP BY department ORDER BY count(*) DESC, department LIMIT 1),
	trained AS (
		SELECT o.first_operator AS surgeon, o.responsible_consultant AS trainer, o.case_code, o.started_at
		FROM operation o JOIN surgeon s ON s.surgeon = o.first_operator JOIN chart_entry e USING (case_code)
		WHERE o.department = (SELECT department FROM busiest) AND s.trainee AND e.whole AND o.responsible_consultant <> o.first_operator),
	most AS (SELECT surgeon FROM trained GROUP BY surgeon ORDER BY count(*) DESC, surgeon LIMIT 1)
	SELECT b.department, t.surgeon, t.trainer, t.case_code, b.month, b.middle, (SELECT position FROM checkpoint) AS last
	FROM busiest b, trained t JOIN most USING (surgeon)
	ORDER BY t.started_at DESC LIMIT 1`

// departmentsOf gives 20 departments at most, one of them the given: a token holds
// them in a header.
func departmentsOf(b *testing.B, db *pgtest.DB, one string) []string {
	b.Helper()
	var codes []string
	err := pg.AsWriter(b.Context(), db.Pool, func(tx pgx.Tx) error {
		rows, err := tx.Query(b.Context(), "SELECT department FROM operation WHERE department <> '' GROUP BY department ORDER BY department <> $1, department LIMIT 20", one)
		if err != nil {
			return err
		}
		codes, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return codes
}
