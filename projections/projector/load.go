package projector

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"hash/maphash"
	"iter"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
)

//go:embed sql/list_indexes.sql
var listIndexesSQL string

// FiledByCopy stands for the epoch of a stream where there is none: in an archive
// that FileArchive made. A projector that is given a stream for it stops with
// stream.EpochError.
const FiledByCopy = "filed-by-copy"

// ErrArchiveNotEmpty means that an archive holds something already.
var ErrArchiveNotEmpty = errors.New("the archive isn't empty: choose another schema")

// FileArchive files messages in an empty archive by COPY, as following a stream
// would have filed them one after another, and returns the last position. Their
// sequences are given here. All of it is one transaction, so a kill leaves an empty
// archive; nobody reads the archive meanwhile. The read models aren't touched:
// Rebuild makes them.
//
// It is for measuring large registries: there is no stream behind what it files,
// so nothing can be added, and the second copy of each event is the only one.
func (p *Projector) FileArchive(ctx context.Context, messages iter.Seq[stream.Message]) (uint64, error) {
	return p.fileArchive(ctx, messages, newIdentityFilter(filterBits))
}

func (p *Projector) fileArchive(ctx context.Context, messages iter.Seq[stream.Message], seen *identityFilter) (uint64, error) {
	var last uint64
	err := pgx.BeginFunc(ctx, p.pool, func(tx pgx.Tx) error {
		// Rows go into the archive alone, whatever read models stand.
		if _, err := tx.Exec(ctx, "SET LOCAL search_path = "+quote(p.base)); err != nil {
			return err
		}
		if err := emptyArchive(ctx, tx); err != nil {
			return err
		}
		indexes, err := dropIndexes(ctx, tx)
		if err != nil {
			return err
		}
		f := filing{tx: tx, seen: seen}
		for arrivals := range readInOrder(messages) {
			if err := f.file(ctx, arrivals); err != nil {
				return err
			}
		}
		if err := indexes.create(ctx, tx); err != nil {
			return err
		}
		if err := f.fileLater(ctx); err != nil {
			return err
		}
		if err := f.books.write(ctx, tx); err != nil {
			return err
		}
		last = f.last
		var fence int64
		if err := tx.QueryRow(ctx, raiseFenceSQL, FiledByCopy).Scan(&fence); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, setPositionSQL, int64(last), f.high); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, "ANALYZE "+strings.Join(bulkTables, ", "))
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("file the archive by COPY: %w", err)
	}
	return last, nil
}

// bulkTables are those of the archive's tables that are filled without indexes.
var bulkTables = []string{"event_log", "arrival"}

// emptyArchive takes the position, so that no projector writes, and makes sure
// that nothing stands in the archive. Emptied in this transaction, the tables need
// no write-ahead log where Postgres is set to do without (wal_level=minimal).
func emptyArchive(ctx context.Context, tx pgx.Tx) error {
	var position, fence int64
	var epoch string
	var high time.Time
	if err := tx.QueryRow(ctx, takePositionSQL).Scan(&position, &fence, &epoch, &high); err != nil {
		return fmt.Errorf("take position: %w", err)
	}
	var stands bool
	if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM arrival) OR EXISTS (SELECT 1 FROM event_log)").Scan(&stands); err != nil {
		return fmt.Errorf("look into the archive: %w", err)
	}
	if position > 0 || stands {
		return ErrArchiveNotEmpty
	}
	if _, err := tx.Exec(ctx, "TRUNCATE "+strings.Join(bulkTables, ", ")); err != nil {
		return fmt.Errorf("empty the archive: %w", err)
	}
	return nil
}

// tableIndex is an index, or a constraint that is one, by the statements that drop
// and make it.
type tableIndex struct{ Drop, Make string }

type tableIndexes []tableIndex

// dropIndexes drops the indexes of the tables that are filled: made of sorted rows
// at the end they cost less than kept up for each row.
func dropIndexes(ctx context.Context, tx pgx.Tx) (tableIndexes, error) {
	list, err := pg.Structs[tableIndex](ctx, tx, listIndexesSQL, bulkTables)
	if err != nil {
		return nil, fmt.Errorf("list the archive's indexes: %w", err)
	}
	for _, i := range list {
		if _, err := tx.Exec(ctx, i.Drop); err != nil {
			return nil, fmt.Errorf("%s: %w", i.Drop, err)
		}
	}
	return list, nil
}

func (l tableIndexes) create(ctx context.Context, tx pgx.Tx) error {
	for _, i := range l {
		if _, err := tx.Exec(ctx, i.Make); err != nil {
			return fmt.Errorf("%s: %w", i.Make, err)
		}
	}
	return nil
}

// filing is an archive being filled.
type filing struct {
	tx    pgx.Tx
	seen  *identityFilter
	later []heldBack
	books intakeBooks
	last  uint64
	high  time.Time // greatest recorded time so far
}

// heldBack is a message that may not be the first of its identity, or can't be
// read. It is held as received: there is one in some hundreds.
type heldBack struct {
	message stream.Message
	high    time.Time // greatest recorded time before it
}

// file writes arrivals that are the first of their identity. Without indexes
// nothing can be looked up, so the others wait.
func (f *filing) file(ctx context.Context, arrivals []arrival) error {
	var rows archiveRows
	for _, a := range arrivals {
		f.last = a.Sequence
		if a.Disposition == Quarantined || f.seen.orAdd(a.Event.Identity()) {
			f.later = append(f.later, heldBack{a.Message, f.high})
			if at := a.Time.UTC().Truncate(time.Microsecond); at.After(f.high) {
				f.high = at
			}
			continue
		}
		a.Disposition = Accepted
		f.books.count(a)
		var err error
		if f.high, err = rows.add(a, f.high); err != nil {
			return err
		}
	}
	if err := rows.copyLinks(ctx, f.tx); err != nil {
		return err
	}
	return rows.copyIn(ctx, f.tx)
}

// fileLater files what was held back, each as the projector does.
func (f *filing) fileLater(ctx context.Context) error {
	for batch := range slices.Chunk(f.later, 500) {
		arrivals := make([]arrival, len(batch))
		for i, h := range batch {
			arrivals[i] = read(h.message)
		}
		if err := classify(ctx, f.tx, arrivals); err != nil {
			return err
		}
		var rows archiveRows
		for i, a := range arrivals {
			f.books.count(a)
			if _, err := rows.add(a, batch[i].high); err != nil {
				return err
			}
		}
		if err := rows.copyLinks(ctx, f.tx); err != nil {
			return err
		}
		if err := rows.copyIn(ctx, f.tx); err != nil {
			return err
		}
	}
	return nil
}

// readAtOnce is how many messages are read, and copied in, at a time.
const readAtOnce = 2000

// readInOrder numbers messages from 1, reads them on all cores and gives them in
// their order, some at a time; no more than a few times readAtOnce are held.
func readInOrder(messages iter.Seq[stream.Message]) iter.Seq[[]arrival] {
	return func(yield func([]arrival) bool) {
		queue := make(chan chan []arrival, runtime.GOMAXPROCS(0))
		stop := make(chan struct{})
		var reading sync.WaitGroup
		defer reading.Wait()
		defer close(stop)
		reading.Go(func() {
			defer close(queue)
			var held []stream.Message
			hand := func() bool {
				if len(held) == 0 {
					return true
				}
				batch, done := held, make(chan []arrival, 1)
				held = make([]stream.Message, 0, readAtOnce)
				select {
				case queue <- done:
				case <-stop:
					return false
				}
				reading.Go(func() {
					arrivals := make([]arrival, len(batch))
					for i, m := range batch {
						arrivals[i] = read(m)
					}
					done <- arrivals
				})
				return true
			}
			var sequence uint64
			for m := range messages {
				sequence++
				m.Sequence = sequence
				if held = append(held, m); len(held) == readAtOnce && !hand() {
					return
				}
			}
			hand()
		})
		for done := range queue {
			if !yield(<-done) {
				return
			}
		}
	}
}

// identityFilter says whether an identity may have come before. It never says no
// where it has; it says yes by mistake for one in a thousand after thirty million.
// A mistake costs a look-up, no more. Its size is the same whatever comes.
type identityFilter struct {
	seed maphash.Seed
	bits []uint64
}

const filterBits = 1 << 29 // 64 MB

func newIdentityFilter(bits int) *identityFilter {
	return &identityFilter{seed: maphash.MakeSeed(), bits: make([]uint64, bits/64)}
}

// orAdd says whether an identity may have come before, and remembers it.
func (f *identityFilter) orAdd(id events.Identity) bool {
	h := maphash.Comparable(f.seed, id)
	step := h>>32 | 1
	seen := true
	for range 4 {
		at, bit := h/64%uint64(len(f.bits)), uint64(1)<<(h%64)
		seen = seen && f.bits[at]&bit != 0
		f.bits[at] |= bit
		h += step
	}
	return seen
}
