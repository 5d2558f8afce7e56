package projector

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/pg"
)

// Which copy of an event is at fault.
const (
	CopyStream  = "stream"
	CopyArchive = "archive"
	CopyUnknown = "unknown" // both agree with their own hashes, or neither has one
)

// What is wrong with a copy.
const (
	Missing = "missing"
	Extra   = "extra"
	Changed = "changed"
)

// Difference is one position, or several in a row, whose two copies don't agree.
type Difference struct {
	Sequence uint64 `json:"sequence"`
	Through  uint64 `json:"through,omitempty"` // last position, where it is more than one
	Copy     string `json:"copy"`              // the copy at fault: stream, archive or unknown
	Kind     string `json:"kind"`              // missing, extra or changed
	Detail   string `json:"detail"`
}

// Copies is what a comparison of the two copies of every event found.
type Copies struct {
	StreamRead  bool         `json:"stream_read"` // false: the archive alone was held against its own hashes
	Position    uint64       `json:"position"`    // compared up to it
	Compared    uint64       `json:"compared"`    // positions looked at
	Waiting     uint64       `json:"waiting"`     // messages after the position, not projected yet
	Sample      int          `json:"sample,omitempty"`
	Seed        uint64       `json:"seed,omitempty"`
	Different   uint64       `json:"different"`   // positions that differ
	Differences []Difference `json:"differences"` // the first of them
}

// Equal says whether no position differs.
func (c Copies) Equal() bool { return c.Different == 0 }

// mostDifferences bounds how many differences are listed; all are counted.
const mostDifferences = 1000

func (c *Copies) add(d Difference) {
	through := max(d.Through, d.Sequence)
	c.Different += through - d.Sequence + 1
	if n := len(c.Differences); n > 0 {
		last := &c.Differences[n-1]
		if last.Kind == d.Kind && last.Copy == d.Copy && last.Detail == d.Detail && max(last.Through, last.Sequence)+1 == d.Sequence {
			last.Through = through
			return
		}
	}
	if len(c.Differences) < mostDifferences {
		c.Differences = append(c.Differences, d)
	}
}

// CopiesConfig says what to compare.
type CopiesConfig struct {
	// Sample is how many positions are compared, chosen by Seed; 0 compares all.
	Sample int
	Seed   uint64

	// Quiet is how long the stream may give nothing before its next message counts
	// as unreadable; 0 means 30 seconds.
	Quiet time.Duration
}

// CompareCopies holds each event's message in the stream against its row in the
// archive, by hash, and each row against its own hash; without a stream the rows
// alone. Memory is bounded, and the registry may be at work meanwhile. It fails only
// where it can't look; what it finds is in Copies.
func (p *Projector) CompareCopies(ctx context.Context, cfg CopiesConfig) (Copies, error) {
	c := Copies{StreamRead: p.stream != nil, Differences: []Difference{}}
	if cfg.Quiet <= 0 {
		cfg.Quiet = 30 * time.Second
	}
	var position int64
	var epoch string
	if err := p.pool.QueryRow(ctx, "SELECT position, epoch FROM stream_state").Scan(&position, &epoch); err != nil {
		return c, fmt.Errorf("compare copies: %w", err)
	}
	c.Position = uint64(position)
	last := c.Position // of what the stream has of it
	if p.stream != nil {
		if c.Position > 0 && p.stream.Epoch() != epoch {
			return c, fmt.Errorf("compare copies: %w", &stream.EpochError{Got: p.stream.Epoch(), Want: epoch})
		}
		info, err := p.stream.Info(ctx)
		if err != nil {
			return c, fmt.Errorf("compare copies: %w", err)
		}
		last = min(last, info.Last)
		if info.Last > c.Position {
			c.Waiting = info.Last - c.Position
		}
	}
	walk := &walk{Projector: p, found: &c, quiet: cfg.Quiet}
	var err error
	switch {
	case cfg.Sample > 0 && uint64(cfg.Sample) < c.Position:
		c.Sample, c.Seed = cfg.Sample, cfg.Seed
		err = walk.sample(ctx, sample(c.Position, cfg.Sample, cfg.Seed), last)
	case p.stream == nil:
		err = walk.archiveAlone(ctx, 1, c.Position)
	default:
		err = walk.all(ctx, last)
	}
	if err == nil {
		err = walk.beyond(ctx)
	}
	if err != nil {
		return c, fmt.Errorf("compare copies: %w", err)
	}
	return c, nil
}

// sample chooses n different positions, in order. One seed gives the same ones.
func sample(position uint64, n int, seed uint64) []uint64 {
	random := rand.New(rand.NewPCG(seed, position))
	chosen := make(map[uint64]bool, n)
	for len(chosen) < n {
		chosen[1+random.Uint64N(position)] = true
	}
	out := make([]uint64, 0, n)
	for s := range chosen {
		out = append(out, s)
	}
	slices.Sort(out)
	return out
}

// walk goes along both copies.
type walk struct {
	*Projector
	found *Copies
	quiet time.Duration
}

// archiveStep is how many positions of the archive are asked for at a time.
const archiveStep = 500

// archiveAlone holds rows against their own hashes.
func (w *walk) archiveAlone(ctx context.Context, from, to uint64) error {
	for ; from <= to; from += archiveStep {
		if err := w.compare(ctx, from, min(to, from+archiveStep-1), nil); err != nil {
			return err
		}
	}
	return nil
}

// errQuiet says that the stream gave nothing where a message must be.
var errQuiet = errors.New("the stream gives no message")

// all reads the whole stream in its order and the archive in step.
func (w *walk) all(ctx context.Context, last uint64) error {
	next := uint64(1)
	for next <= last {
		err := w.read(ctx, &next, last)
		var gap *stream.GapError
		switch {
		case err == nil:
		case errors.As(err, &gap):
			through := gap.Last
			if gap.Got > 0 {
				through = gap.Got - 1
			}
			if err := w.missing(ctx, gap.Expected, min(through, last), "no message is stored"); err != nil {
				return err
			}
			next = through + 1
		case errors.Is(err, errQuiet):
			// The server can't read it: its checksum doesn't hold.
			if err := w.unreadable(ctx, next, err); err != nil {
				return err
			}
			next++
		default:
			return err
		}
	}
	if last < w.found.Position {
		return w.missing(ctx, last+1, w.found.Position, "the stream ends before")
	}
	return nil
}

// read compares what the stream gives from next on, which it moves.
func (w *walk) read(ctx context.Context, next *uint64, last uint64) error {
	reading, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	quiet := time.AfterFunc(w.quiet, func() { stop(errQuiet) })
	defer quiet.Stop()
	_, err := w.stream.Replay(reading, *next, stream.BatchConfig{Max: archiveStep}, func(_ context.Context, batch []stream.Message) error {
		quiet.Stop() // what the archive takes isn't the stream's fault
		for len(batch) > 0 && batch[len(batch)-1].Sequence > last {
			batch = batch[:len(batch)-1]
		}
		if len(batch) == 0 {
			return errEnough
		}
		if err := w.compare(ctx, batch[0].Sequence, batch[len(batch)-1].Sequence, batch); err != nil {
			return err
		}
		*next = batch[len(batch)-1].Sequence + 1
		if *next > last {
			return errEnough
		}
		quiet.Reset(w.quiet)
		return nil
	})
	switch {
	case errors.Is(err, errEnough):
		return nil
	case ctx.Err() == nil && errors.Is(context.Cause(reading), errQuiet):
		return errQuiet
	}
	return err
}

var errEnough = errors.New("read far enough")

// sample compares single positions.
func (w *walk) sample(ctx context.Context, positions []uint64, last uint64) error {
	for _, s := range positions {
		switch {
		case w.stream == nil:
			if err := w.compare(ctx, s, s, nil); err != nil {
				return err
			}
			continue
		case s > last:
			if err := w.missing(ctx, s, s, "the stream ends before"); err != nil {
				return err
			}
			continue
		}
		reading, stop := context.WithTimeout(ctx, w.quiet)
		got, err := w.stream.Read(reading, s, 1)
		stop()
		var gap *stream.GapError
		switch {
		case err == nil:
			err = w.compare(ctx, s, s, got)
		case errors.As(err, &gap):
			err = w.missing(ctx, s, s, "no message is stored")
		case ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded):
			err = w.unreadable(ctx, s, err)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// unreadable notes a message that the server doesn't give, unless the reason for it
// is another one.
func (w *walk) unreadable(ctx context.Context, sequence uint64, waited error) error {
	why, err := w.stream.Unreadable(ctx, sequence)
	if err != nil || why == "" {
		return errors.Join(fmt.Errorf("read the stream from sequence %d: %w", sequence, waited), err)
	}
	return w.missing(ctx, sequence, sequence, "the server can't read the message")
}

// missing notes messages that the stream doesn't have, and still holds their rows
// against their own hashes. Erased ones are meant to be gone.
func (w *walk) missing(ctx context.Context, from, to uint64, detail string) error {
	for at := from; at <= to; at += archiveStep {
		end := min(to, at+archiveStep-1)
		var erased []int64
		err := pg.AsWriter(ctx, w.pool, func(tx pgx.Tx) (err error) {
			erased, err = pg.Values[int64](ctx, tx, listErasedSQL, int64(at), int64(end))
			return err
		})
		if err != nil {
			return err
		}
		for s := at; s <= end; s++ {
			if len(erased) > 0 && uint64(erased[0]) == s {
				erased = erased[1:]
				continue
			}
			w.found.add(Difference{Sequence: s, Copy: CopyStream, Kind: Missing, Detail: detail})
		}
		if err := w.compare(ctx, at, end, nil); err != nil {
			return err
		}
	}
	return nil
}

// beyond looks for rows after the position: nothing but the transaction that moves
// the position writes any.
func (w *walk) beyond(ctx context.Context) error {
	return pg.AsWriter(ctx, w.pool, func(tx pgx.Tx) error {
		return eachCopy(ctx, tx, w.found.Position+1, 1<<62, func(r *copyRow) error {
			// The position itself may have moved since.
			var at int64
			if err := w.pool.QueryRow(ctx, "SELECT position FROM stream_state").Scan(&at); err != nil {
				return err
			}
			if r.sequence <= at {
				return errEnough
			}
			w.found.add(Difference{Sequence: uint64(r.sequence), Copy: CopyArchive, Kind: Extra, Detail: "rows stand after the position"})
			return nil
		})
	})
}
