package projector_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/alarm"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// Codes that are found wherever they are left over. Both sort where the pseudonyms
// do, before the simulated codes.
const (
	canarySurgeon = "CANARY-SURGEON-77"
	canaryPatient = "CANARY-PATIENT-88"
)

// renaming pairs a surgeon's code, and the codes of charts derived from it, with
// what comes in their place.
func renaming(old, fresh string) map[string]string {
	pairs := map[string]string{old: fresh}
	outcomes := []string{"capsule-rupture", "unplanned-takeover", "refraction-miss", "visual-loss", "step:capsulorhexis", "step:sculpting",
		"step:cracking", "step:segment-removal", "step:cortex-aspiration", "step:lens-insertion"}
	for _, outcome := range outcomes {
		for _, kind := range []string{"detection", "competence"} {
			pairs[alarm.CodeOf(old, outcome, kind)] = alarm.CodeOf(fresh, outcome, kind)
		}
	}
	return pairs
}

func replaced(text string, pairs map[string]string) string {
	for old, fresh := range pairs {
		text = strings.ReplaceAll(text, old, fresh)
	}
	return text
}

// renamed gives events whose text has other codes in it.
func renamed(t testing.TB, es []events.Event, pairs map[string]string) []events.Event {
	t.Helper()
	out := make([]events.Event, len(es))
	for i, e := range es {
		changed, problems := events.DecodeStructured([]byte(replaced(string(e.Encode()), pairs)))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		out[i] = changed
	}
	return out
}

// follow runs a projector until stop is called; what it logs and measures is kept.
func (r *registry) follow(t testing.TB, announced func([]string)) (said func() string, stop func()) {
	t.Helper()
	var mu sync.Mutex
	var log bytes.Buffer
	registry := prometheus.NewRegistry()
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Registerer: registry, OnAlarm: announced,
		Log: slog.New(slog.NewTextHandler(writer(func(b []byte) { mu.Lock(); log.Write(b); mu.Unlock() }), nil))})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
			t.Error("projector:", err)
		}
	})
	t.Cleanup(stop)
	said = func() string {
		families, err := registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		for _, f := range families {
			if _, err := expfmt.MetricFamilyToText(&out, f); err != nil {
				t.Fatal(err)
			}
		}
		mu.Lock()
		defer mu.Unlock()
		return log.String() + out.String()
	}
	return said, stop
}

type writer func([]byte)

func (w writer) Write(b []byte) (int, error) { w(b); return len(b), nil }

// settled waits until the read models have come to the end of the stream.
func (r *registry) settled(t testing.TB) uint64 {
	t.Helper()
	info, err := r.stream.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w := projector.NewWatcher(r.Pool, r.Base)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	go func() { _ = w.Run(ctx) }()
	if err := w.Wait(ctx, info.Last); err != nil {
		t.Fatal(err)
	}
	return info.Last
}

func (r *registry) eraser(t testing.TB) *projector.Eraser {
	t.Helper()
	s, err := stream.Open(t.Context(), stream.Config{Server: r.server, Erasing: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return projector.NewEraser(projector.EraserConfig{Pool: r.Pool, Base: r.Base, Stream: s, Log: slog.New(slog.DiscardHandler)})
}

func (r *registry) erase(t testing.TB, role events.Role, code string) projector.ErasureReport {
	t.Helper()
	report, err := r.eraser(t).Run(t.Context(), projector.ErasureRequest{Role: role, Code: code, Reason: "asked for in writing, file 12"})
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// value is the one text that a query finds.
func (r *registry) value(t testing.TB, sql string, args ...any) string {
	t.Helper()
	var out string
	if err := r.Pool.QueryRow(t.Context(), sql, args...).Scan(&out); err != nil {
		t.Fatal(sql, err)
	}
	return out
}

// fresh projects the stream from its beginning into a database of its own.
func (r *registry) fresh(t testing.TB) *registry {
	t.Helper()
	other := newRegistry(t)
	other.stream = r.stream
	other.run(t, 97)
	return other
}

// archived is a digest of what the archive holds, position by position.
func (r *registry) archived(t testing.TB) map[string]string {
	t.Helper()
	out := map[string]string{}
	for table, columns := range map[string]string{
		"arrival":      "sequence, disposition, recorded_at, recorded_high, duplicate_of",
		"event_log":    "sequence, source, id, hash, wire_hash, type, about, subject, department, recorded_at, headers, body",
		"quarantine":   "sequence, recorded_at, subject, source, department, reason, problems, headers, body",
		"erasure":      "sequence, position, recorded_at, source, id, reason",
		"case_link":    "sequence, subject, other_case",
		"conflict":     "sequence, with_sequence",
		"intake_count": "source, department, disposition, events, last_sequence",
		"alarm_notice": "alarm, department, surgeon",
	} {
		if table == "alarm_notice" {
			// One that stood for a while and went again was seen or not: that depends
			// on where a batch ended.
			table += " WHERE alarm IN (SELECT alarm FROM alarm)"
		}
		out[table] = r.value(t, "SELECT count(*) || ' ' || coalesce(md5(string_agg(t::text, '|' ORDER BY t::text)), '') FROM (SELECT "+columns+" FROM "+table+") t")
	}
	return out
}

func sameArchive(t testing.TB, what string, a, b map[string]string) {
	t.Helper()
	for table, digest := range a {
		if b[table] != digest {
			t.Errorf("%s: %s differs: %s and %s", what, table, digest, b[table])
		}
	}
}

// digests are those of the live read models, which a rebuild has to give too.
func (r *registry) digests(t testing.TB) []projector.Digest {
	t.Helper()
	v, err := r.projector().Verify(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !v.Equal() {
		t.Errorf("live and rebuilt differ: %v", v.Differing())
	}
	return v.Live
}

// copiesAgree holds the two copies of every event against each other.
func (r *registry) copiesAgree(t testing.TB) {
	t.Helper()
	c, err := r.projector().CompareCopies(t.Context(), projector.CopiesConfig{})
	if err != nil {
		t.Fatal(err)
	}
	if !c.Equal() {
		t.Errorf("%d copies differ: %+v", c.Different, c.Differences[:min(3, len(c.Differences))])
	}
}

// dump is everything that a dump of the registry's schemas holds.
func (r *registry) dump(t testing.TB) string {
	t.Helper()
	program, err := exec.LookPath("pg_dump")
	if err != nil {
		found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/pg_dump")
		if len(found) == 0 {
			t.Fatal("no pg_dump: ", err)
		}
		program = found[len(found)-1]
	}
	out, err := exec.CommandContext(t.Context(), program, "--dbname", r.URL, "--schema", r.Base+"*", "--inserts").CombinedOutput()
	if err != nil {
		t.Fatalf("pg_dump: %v\n%s", err, out)
	}
	return string(out)
}

// traces lists where a code, or a chart's code derived from it, is still found.
func traces(t testing.TB, code, storeDir string, texts map[string]string) []string {
	t.Helper()
	var found []string
	sought := renaming(code, code)
	look := func(where, text string) {
		for s := range sought {
			if at := strings.Index(text, s); at >= 0 {
				found = append(found, fmt.Sprintf("%s: %q", where, text[max(0, at-120):min(len(text), at+60)]))
				return
			}
		}
	}
	for name, text := range texts {
		look(name, text)
	}
	err := filepath.WalkDir(storeDir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		look(path, string(content))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// raw publishes bytes as they are.
func (r *registry) raw(t testing.TB, subject, id string, header map[string][]string, data string) uint64 {
	t.Helper()
	ack, err := r.stream.Publisher().Publish(t.Context(), stream.Outgoing{Subject: subject, MessageID: id, Header: header, Data: []byte(data)})
	if err != nil {
		t.Fatal(err)
	}
	return ack.Sequence
}

// again sends an event as it was, as a publisher does whose acknowledgement got lost
// long ago.
func (r *registry) again(t testing.TB, e events.Event) uint64 {
	t.Helper()
	return r.raw(t, projector.SubjectOf(e), "again/"+e.MessageID()+"/"+time.Now().String(), nil, string(e.Encode()))
}

func (r *registry) ask(t testing.TB, asOf string, departments, surgeons, cases []string) string {
	t.Helper()
	var text string
	err := pg.AsWriter(t.Context(), r.Pool, func(tx pgx.Tx) (err error) {
		text, _, err = answers(t.Context(), tx, asOf, departments, surgeons, cases)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return text
}
