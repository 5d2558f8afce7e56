package projector_test

import (
	"context"
	"errors"
	"iter"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// archiveTables are the tables that the projector files arrivals in. What it keeps
// about itself (epoch, fence, attempts) isn't compared.
var archiveTables = map[string]string{
	"event_log": "*", "arrival": "*", "quarantine": "*", "case_link": "*", "conflict": "*", "intake_count": "*",
	"stream_state": "position, recorded_high",
}

func archiveContents(t testing.TB, db *pgtest.DB) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for table, columns := range archiveTables {
		rows, err := db.Pool.Query(t.Context(), "SELECT to_jsonb(t)::text FROM (SELECT "+columns+" FROM "+db.Base+"."+table+") t")
		if err != nil {
			t.Fatal(err)
		}
		if out[table], err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
			t.Fatal(err)
		}
		slices.Sort(out[table])
	}
	return out
}

// indexesOf lists the indexes and constraints of an archive, without its name.
func indexesOf(t testing.TB, db *pgtest.DB) string {
	t.Helper()
	rows, err := db.Pool.Query(t.Context(), `SELECT pg_get_indexdef(i.indexrelid) || coalesce(' ' || c.conname || ' ' || pg_get_constraintdef(c.oid), '')
		FROM pg_index i JOIN pg_class r ON r.oid = i.indrelid LEFT JOIN pg_constraint c ON c.conindid = i.indexrelid
		WHERE r.relnamespace = $1::text::regnamespace ORDER BY i.indexrelid::regclass::text`, db.Base)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(list)
	return strings.ReplaceAll(strings.Join(list, "\n"), db.Base, "registry")
}

func fileInto(t testing.TB, db *pgtest.DB) *projector.Projector {
	t.Helper()
	return projector.New(projector.Config{Pool: db.Pool, Base: db.Base, Log: slog.New(slog.DiscardHandler)})
}

// An archive filled by COPY is the one that following the stream makes, byte for
// byte: with events sent twice, conflicts, joins, amendments and what can't be read.
func TestFileArchive(t *testing.T) {
	followed := newRegistry(t)
	es := scenario(5000)
	followed.publish(t, es...)
	again := es[17]
	other := es[40]
	other.Time = other.Time.Add(1e9)
	binary := es[60]
	for i, m := range []stream.Outgoing{
		{Subject: projector.SubjectOf(again), MessageID: "again", Data: again.Encode()},
		{Subject: projector.SubjectOf(other), MessageID: "other", Data: other.Encode()},
		{Subject: projector.SubjectOf(other), MessageID: "other again", Data: other.Encode()},
		{Subject: projector.SubjectOf(again), MessageID: "broken", Data: []byte("{")},
		{Subject: projector.SubjectOf(binary), MessageID: "with a header", Data: binary.Encode(),
			Header: map[string][]string{"Content-Type": {events.ContentTypeEvent}}},
	} {
		if _, err := followed.stream.Publisher().Publish(t.Context(), m); err != nil {
			t.Fatal(i, err)
		}
	}
	followed.run(t, 300)
	want := archiveContents(t, followed.DB)
	for table, rows := range want {
		if len(rows) == 0 {
			t.Errorf("the scenario fills no row of %s: it tests too little", table)
		}
	}
	var messages []stream.Message
	if _, err := followed.stream.Replay(t.Context(), 1, stream.BatchConfig{Max: 500}, func(_ context.Context, batch []stream.Message) error {
		for _, m := range batch {
			m.Data, m.Sequence = slices.Clone(m.Data), 0
			messages = append(messages, m)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}

	filed := pgtest.New(t)
	indexes := indexesOf(t, filed)
	p := fileInto(t, filed)
	last, err := p.FileArchive(t.Context(), slices.Values(messages))
	if err != nil || last != uint64(len(messages)) {
		t.Fatalf("filed up to %d of %d: %v", last, len(messages), err)
	}
	if d := difference(want, archiveContents(t, filed)); d != "" {
		t.Errorf("filed by COPY, the archive is another: %s", d)
	}
	if now := indexesOf(t, filed); now != indexes {
		t.Errorf("indexes before:\n%s\nafter:\n%s", indexes, now)
	}
	doubting := pgtest.New(t)
	if _, err := fileInto(t, doubting).FileArchiveDoubting(t.Context(), slices.Values(messages)); err != nil {
		t.Fatal(err)
	}
	if d := difference(want, archiveContents(t, doubting)); d != "" {
		t.Errorf("with a filter that doubts, the archive is another: %s", d)
	}

	if err := p.Rebuild(t.Context()); err != nil {
		t.Fatal(err)
	}
	if d := difference(followed.contents(t), (&registry{DB: filed}).contents(t)); d != "" {
		t.Errorf("its read models are others: %s", d)
	}
	if _, err := p.FileArchive(t.Context(), slices.Values(messages)); !errors.Is(err, projector.ErrArchiveNotEmpty) {
		t.Errorf("filing twice: %v", err)
	}
	// No stream stands behind it, and a projector with one must not write there.
	var epoch *stream.EpochError
	stranger := projector.New(projector.Config{Pool: filed.Pool, Base: filed.Base, Stream: followed.stream, Log: slog.New(slog.DiscardHandler)})
	if err := stranger.RunToEnd(t.Context()); !errors.As(err, &epoch) || epoch.Want != projector.FiledByCopy {
		t.Errorf("following a stream into it: %v", err)
	}
}

// Filing that fails leaves an empty archive with its indexes.
func TestFileArchiveFails(t *testing.T) {
	db := pgtest.New(t)
	empty, indexes := archiveContents(t, db), indexesOf(t, db)
	es := scenario(5000)
	ctx, stop := context.WithCancel(t.Context())
	var some iter.Seq[stream.Message] = func(yield func(stream.Message) bool) {
		for i, e := range es {
			if i == 4500 {
				stop()
			}
			if !yield(stream.Message{Subject: projector.SubjectOf(e), Data: e.Encode(), Time: e.Time.AddDate(1, 0, 0)}) {
				return
			}
		}
	}
	if _, err := fileInto(t, db).FileArchive(ctx, some); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	if d := difference(empty, archiveContents(t, db)); d != "" {
		t.Errorf("something stayed: %s", d)
	}
	if now := indexesOf(t, db); now != indexes {
		t.Errorf("indexes before:\n%s\nafter:\n%s", indexes, now)
	}
	if err := pg.AsWriter(t.Context(), db.Pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), "INSERT INTO "+db.Base+".arrival VALUES (1, 'accepted', now(), now())")
		return err
	}); err != nil {
		t.Error("the archive can't be written any more:", err)
	}
}

// Where the stream's clock was set back, the greatest recorded time so far stands
// beside each arrival all the same, also beside what was filed later.
func TestFileArchiveClockSetBack(t *testing.T) {
	db := pgtest.New(t)
	at := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	es := scenario(300)
	if _, err := fileInto(t, db).FileArchiveDoubting(t.Context(), func(yield func(stream.Message) bool) {
		for i, e := range append(es, es[0], es[1]) {
			at = at.Add(time.Second)
			m := stream.Message{Subject: projector.SubjectOf(e), Data: e.Encode(), Time: at}
			if i%7 == 0 {
				m.Time = at.Add(-time.Hour)
			}
			if !yield(m) {
				return
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	var wrong, back int
	err := db.Pool.QueryRow(t.Context(), `SELECT count(*) FILTER (WHERE recorded_high <> greatest(high, 'epoch')), count(*) FILTER (WHERE recorded_at < recorded_high)
		FROM (SELECT *, max(recorded_at) OVER (ORDER BY sequence) AS high FROM arrival) a`).Scan(&wrong, &back)
	if err != nil || wrong > 0 || back < 40 {
		t.Errorf("%d arrivals with another greatest time, %d recorded before it: %v", wrong, back, err)
	}
}
