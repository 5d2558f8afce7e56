package stream

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"
)

// Errors of a spool that a caller can act on.
var (
	// ErrSpoolFull says that the spool holds as many bytes as it may.
	ErrSpoolFull = errors.New("the spool is full: nothing more is kept until the log takes events again")

	// ErrSpoolDisk says that the spool's disk has no room.
	ErrSpoolDisk = errors.New("the disk of the spool is full: nothing was kept")

	// ErrSpoolHeld says that another process works with the folder.
	ErrSpoolHeld = errors.New("another process holds the spool: each needs a folder of its own")

	// ErrSpoolFailed says that the disk failed in a write. What was promised
	// before stands; nothing more is promised until the process starts again.
	ErrSpoolFailed = errors.New("the spool's disk failed; check it, then start again")
)

// SpoolDamagedError says that a spool's file isn't what was written: cut,
// overwritten or damaged. Nothing of it is delivered.
type SpoolDamagedError struct {
	File string
	Why  string
}

func (e *SpoolDamagedError) Error() string {
	return fmt.Sprintf("spool %s is damaged (%s): nothing was delivered from it; move it aside and have the senders send again", e.File, e.Why)
}

// SpoolConfig says where a spool is and whom it delivers to.
type SpoolConfig struct {
	Dir       string     // folder of its own, made if absent
	Publisher *Publisher // its credential may be one that can't read; nil only looks and keeps

	// MaxBytes bounds what is held, refused events included; 0 means 1 GiB. The
	// file may be about twice as large.
	MaxBytes int64

	// DirectWithin is how long PublishBatch waits for the log before it keeps
	// the events here, and ten milliseconds more for each event; 0 means 2 s.
	DirectWithin time.Duration

	Now    func() time.Time // nil is time.Now
	Logger *slog.Logger     // nil is silent
}

// Spool keeps events in a local file until the log has them. What Keep took is
// on disk before it returns, and is delivered by Run with the same message id and
// the same bytes, however long that takes and however often the process starts
// anew. One process holds a spool; its methods may be called concurrently.
//
// An event that the log refuses for good, since its subject is denied or it is
// too large, is set aside with the reason and holds up no other: see Refused.
type Spool struct {
	cfg  SpoolConfig
	lock *os.File // never replaced, held while the spool is open

	mu      sync.RWMutex // held to write while the file is replaced
	db      *bbolt.DB
	used    atomic.Bool // something was written since the file was made
	handed  chan struct{}
	away    atomic.Bool // the log gave no answer, and none since
	blind   atomic.Bool // the credential can't read, which was said
	trusted atomic.Int64
	failed  atomic.Bool

	done map[string]bool // keys that Run delivered and couldn't remove, at most a group
}

// SpoolState is what a spool holds at one moment.
type SpoolState struct {
	Waiting int       // events not delivered yet
	Oldest  time.Time // when the oldest of them was taken; zero if none waits
	Refused int       // events that the log refused for good
	Bytes   int64     // of both

	// Trusted counts, since the spool was opened, the claims of the log that it
	// has an event already which this credential couldn't check.
	Trusted int64
}

const defaultSpoolBytes = 1 << 30

// OpenSpool opens or makes a spool. It fails with ErrSpoolHeld,
// *SpoolDamagedError or ErrSpoolDisk. Nothing is delivered before Run.
func OpenSpool(cfg SpoolConfig) (*Spool, error) {
	if cfg.Dir == "" {
		return nil, errors.New("open spool: a folder is needed")
	}
	if cfg.MaxBytes <= 0 {
		cfg.MaxBytes = defaultSpoolBytes
	}
	if cfg.DirectWithin <= 0 {
		cfg.DirectWithin = 2 * time.Second
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("open spool: %w", onDisk(err))
	}
	// The events' own file is replaced, and a lock on it with it: another process
	// could take the old one.
	lock, err := lockSpool(filepath.Join(cfg.Dir, "lock"))
	if err != nil {
		return nil, fmt.Errorf("open spool %s: %w", cfg.Dir, onDisk(err))
	}
	s := &Spool{cfg: cfg, lock: lock, handed: make(chan struct{}, 1), done: map[string]bool{}}
	if s.db, err = openSpoolFile(s.path()); err != nil {
		return nil, errors.Join(fmt.Errorf("open spool: %w", onDisk(err)), lock.Close())
	}
	s.used.Store(true) // it may be; Run looks
	return s, nil
}

func (s *Spool) path() string { return filepath.Join(s.cfg.Dir, "spool.db") }

// Close lets go of the file. Run must have ended.
func (s *Spool) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return errors.Join(s.db.Close(), s.lock.Close())
}

// Keep takes all of the events, and has them on disk when it returns nil; with an
// error it took none. Concurrent calls share a write to disk.
func (s *Spool) Keep(ctx context.Context, batch []Outgoing) error {
	kept := make([]spooled, len(batch))
	for i, out := range batch {
		kept[i] = spooled{Outgoing: out}
	}
	return s.keep(ctx, kept)
}

func (s *Spool) keep(ctx context.Context, batch []spooled) error {
	if len(batch) == 0 {
		return nil
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("keep %d events: %w", len(batch), err)
	}
	now := s.cfg.Now()
	for i := range batch {
		batch[i].keptAt = now
	}
	err := s.write(func(tx *bbolt.Tx) error {
		f, err := openRecords(tx)
		if err != nil {
			return err
		}
		for _, e := range batch {
			if err := f.add(e); err != nil {
				return err
			}
		}
		if f.sums.bytes() > s.cfg.MaxBytes {
			return ErrSpoolFull
		}
		return f.save()
	})
	if err != nil {
		return fmt.Errorf("keep %d events: %w", len(batch), err)
	}
	signal(s.handed)
	return nil
}

// write commits one change of the file, together with those of other callers.
func (s *Spool) write(change func(*bbolt.Tx) error) error {
	if s.failed.Load() {
		return ErrSpoolFailed
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	s.used.Store(true)
	var own error
	err := s.db.Batch(func(tx *bbolt.Tx) error {
		own = change(tx)
		return own
	})
	if err == nil {
		return nil
	}
	err = onDisk(err)
	if own == nil && !errors.Is(err, ErrSpoolDisk) {
		// The commit itself failed. The kernel may take pages for written that
		// aren't, so what is written next would promise too much.
		s.failed.Store(true)
		return fmt.Errorf("%w: %w", ErrSpoolFailed, err)
	}
	return err
}

// State says what is held.
func (s *Spool) State() (SpoolState, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	state := SpoolState{Trusted: s.trusted.Load()}
	err := s.db.View(func(tx *bbolt.Tx) error {
		f, err := openRecords(tx)
		if err != nil {
			return err
		}
		state.Waiting, state.Refused, state.Bytes = int(f.sums.waiting), int(f.sums.refused), f.sums.bytes()
		if key, value := f.waiting.Cursor().First(); key != nil {
			oldest, err := decodeSpooled(key, value)
			state.Oldest = oldest.keptAt
			return err
		}
		return nil
	})
	return state, err
}

// PublishBatch publishes like Publisher.PublishBatch. Where the log gives no
// answer in a short time, or takes nothing, the event is kept here: its result
// has Kept instead of a sequence. While the log is known to be away, events are
// kept without asking it.
func (s *Spool) PublishBatch(ctx context.Context, batch []Outgoing) []Result {
	results := make([]Result, len(batch))
	asked := !s.away.Load() && s.cfg.Publisher.Connected()
	if asked {
		direct, cancel := context.WithTimeout(ctx, s.cfg.DirectWithin+time.Duration(len(batch))*10*time.Millisecond)
		results = s.cfg.Publisher.PublishBatch(direct, batch)
		cancel()
	}
	var kept []spooled
	var at []int
	taken, unanswered := 0, 0
	for i, r := range results {
		e := spooled{Outgoing: batch[i]}
		switch {
		case !asked:
		case r.Err == nil && r.Duplicate && s.check(ctx, e, r.Sequence) == claimFalse:
			e.again = suffix()
		case r.Err == nil:
			taken++
			continue
		case refusedForGood(r.Err):
			continue
		default:
			unanswered++
		}
		kept, at = append(kept, e), append(at, i)
	}
	// Said before they are kept: Run takes it back once the log answers.
	gone := taken == 0 && unanswered > 0
	if gone {
		s.away.Store(true)
	}
	err := s.keep(ctx, kept)
	if err != nil && gone {
		s.away.Store(false)
	}
	for _, i := range at {
		results[i] = Result{Kept: err == nil}
		if err != nil {
			results[i].Err = fmt.Errorf("publish %s: %w", batch[i].MessageID, err)
		}
	}
	return results
}
