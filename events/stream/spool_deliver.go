package stream

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.etcd.io/bbolt"
)

// Of one group that is delivered together: bounded in memory.
const (
	spoolGroup      = 256
	spoolGroupBytes = 2 << 20
	deliverWithin   = 10 * time.Second // of one try; what isn't acknowledged stays
	longestPause    = 10 * time.Second // between tries while the log is away
)

// Run delivers what waits until ctx ends, which is no error; it returns an error
// only when the file can't be worked with any more.
func (s *Spool) Run(ctx context.Context) error {
	for wait := firstWait; ; {
		moved, err := s.deliver(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if errors.Is(err, ErrSpoolDisk) {
			err, moved = nil, false // removing what was delivered takes room as well
		}
		if err != nil {
			return fmt.Errorf("deliver from spool: %w", err)
		}
		state, err := s.State()
		if err != nil {
			return fmt.Errorf("deliver from spool: %w", err)
		}
		var again <-chan time.Time
		switch {
		case state.Waiting == 0:
			wait = firstWait
			s.away.Store(false) // nothing waits, so nothing would find out
			if err := s.renew(); err != nil {
				s.cfg.Logger.Warn("an empty spool still has bytes of delivered events in its file", "error", err)
				again = time.After(longestPause)
			}
		case moved:
			wait = firstWait
			continue
		default:
			again = time.After(wait)
			wait = min(2*wait, longestPause)
		}
		// Within a pause a new event is no reason to hurry, a connection is.
		handed := s.handed
		if state.Waiting > 0 {
			handed = nil
		}
		select {
		case <-handed:
		case <-again:
		case <-s.cfg.Publisher.link.reconnected():
		case <-ctx.Done():
			return nil
		}
	}
}

// deliver goes once through everything that waits. moved says that some of it
// was settled.
func (s *Spool) deliver(ctx context.Context) (moved bool, err error) {
	var after []byte
	for ctx.Err() == nil {
		group, err := s.next(after)
		if err != nil || len(group) == 0 {
			return moved, err
		}
		after = group[len(group)-1].key
		settled, away, err := s.deliverGroup(ctx, group)
		moved = moved || settled > 0
		if err != nil || away {
			return moved, err
		}
	}
	return moved, nil
}

// next reads the events that wait behind a key.
func (s *Spool) next(after []byte) (group []spooled, err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	err = s.db.View(func(tx *bbolt.Tx) error {
		f, err := openRecords(tx)
		if err == nil {
			group, err = readGroup(f.waiting, after)
		}
		return err
	})
	return group, err
}

// readGroup reads a bounded number of events behind a key; nil is before all.
func readGroup(from *bbolt.Bucket, after []byte) (group []spooled, err error) {
	c := from.Cursor()
	key, value := c.Seek(after)
	if after != nil && bytes.Equal(key, after) {
		key, value = c.Next()
	}
	for size := 0; key != nil && len(group) < spoolGroup && size < spoolGroupBytes; key, value = c.Next() {
		e, err := decodeSpooled(key, value)
		if err != nil {
			return nil, err
		}
		group = append(group, e)
		size += len(value)
	}
	return group, nil
}

// deliverGroup publishes a group and writes down what became of it. away says
// that the log takes nothing at all.
func (s *Spool) deliverGroup(ctx context.Context, group []spooled) (settled int, away bool, err error) {
	var gone, refused, again, sent []spooled
	var batch []Outgoing
	for _, e := range group {
		if s.done[string(e.key)] {
			gone = append(gone, e)
			continue
		}
		out := e.Outgoing
		out.MessageID = e.id()
		batch, sent = append(batch, out), append(sent, e)
	}
	within, cancel := context.WithTimeout(ctx, deliverWithin)
	results := s.cfg.Publisher.PublishBatch(within, batch)
	cancel()
	away = len(batch) > 0
	unread := false // the log stopped answering questions
	for i, r := range results {
		e := sent[i]
		switch {
		case r.Err == nil && r.Duplicate:
			found := claimOpen
			if !unread {
				found = s.check(ctx, e, r.Sequence)
			}
			away = away && found == claimOpen
			switch found {
			case claimFalse:
				e.again = suffix()
				again = append(again, e)
			case claimOpen: // asked again with the next try
				unread = true
			default:
				gone = append(gone, e)
			}
		case r.Err == nil:
			away = false
			gone = append(gone, e)
		case refusedForGood(r.Err):
			e.reason = reasonOf(r.Err)
			refused = append(refused, e)
			// The text of a reason may name a case.
			s.cfg.Logger.Error("the log refuses an event of the spool for good; it is set aside", slog.String("subject", e.Subject))
		default:
			away = away && isAway(r.Err)
		}
	}
	if len(batch) > 0 {
		s.away.Store(away)
	}
	settled = len(gone) + len(refused) + len(again)
	if settled == 0 {
		return 0, away, nil
	}
	err = s.write(func(tx *bbolt.Tx) error {
		f, err := openRecords(tx)
		if err != nil {
			return err
		}
		for _, e := range slices.Concat(gone, refused, again) {
			err = errors.Join(err, f.remove(f.waiting, e.key))
		}
		for _, e := range refused {
			err = errors.Join(err, f.put(f.refused, e))
		}
		for _, e := range again {
			err = errors.Join(err, f.put(f.waiting, e))
		}
		return errors.Join(err, f.save())
	})
	clear(s.done)
	if err != nil {
		for _, e := range gone {
			s.done[string(e.key)] = true
		}
	}
	return settled, away, err
}

// renew puts a fresh file in the place of one in which nothing waits: the old
// one's free pages still hold what was delivered. Refused events are taken over.
func (s *Spool) renew() error {
	if s.failed.Load() || !s.used.Load() {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	old, err := s.db.Begin(false)
	if err != nil {
		return fmt.Errorf("renew spool: %w", err)
	}
	from, err := openRecords(old)
	if err != nil || from.sums.waiting > 0 {
		return errors.Join(err, old.Rollback())
	}
	fresh, err := makeSpoolFile(s.path(), func(db *bbolt.DB) error { return copyRefused(db, from) })
	err = errors.Join(err, old.Rollback())
	if err != nil {
		return fmt.Errorf("renew spool: %w", onDisk(err))
	}
	err = s.db.Close()
	s.db = fresh
	s.used.Store(false)
	return err
}

// copyRefused fills a fresh file, in groups.
func copyRefused(db *bbolt.DB, from *records) error {
	for after, more := []byte(nil), true; more; {
		group, err := readGroup(from.refused, after)
		if err != nil {
			return err
		}
		err = db.Update(func(tx *bbolt.Tx) error {
			into, err := openRecords(tx)
			if err != nil {
				return err
			}
			for _, e := range group {
				err = errors.Join(err, into.put(into.refused, e))
			}
			// Keys go on, so that none comes twice among the refused.
			return errors.Join(err, into.waiting.SetSequence(from.waiting.Sequence()), into.save())
		})
		if err != nil {
			return err
		}
		if more = len(group) > 0; more {
			after = group[len(group)-1].key
		}
	}
	return nil
}

// refusedForGood reports whether no further try can help as things are.
func refusedForGood(err error) bool {
	var large *TooLargeError
	var denied *DeniedError
	if errors.As(err, &large) || errors.As(err, &denied) || errors.Is(err, errMalformed) ||
		errors.Is(err, ErrOtherStream) || errors.Is(err, nats.ErrMaxPayload) {
		return true
	}
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == codeOtherStream || api.ErrorCode == codeMessageTooLarge)
}

// isAway reports whether an error says that the log takes nothing at all.
func isAway(err error) bool {
	return passing(err) || errors.Is(err, ErrFull) || errors.Is(err, nats.ErrConnectionClosed) ||
		errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)
}

// reasonOf leaves out the message id, which names the event, not the fault.
func reasonOf(err error) string {
	if cause := errors.Unwrap(err); cause != nil {
		return cause.Error()
	}
	return err.Error()
}

// suffix makes a message id that nobody can have used.
func suffix() string { return rand.Text() }

// claim is what was found out about the log's claim to have an event.
type claim int

const (
	claimTrue    claim = iota // it is stored at that sequence, ours
	claimFalse                // something else is, or nothing
	claimTrusted              // this credential can't read
	claimOpen                 // no answer for now
)

// check reads what the log has where it says it has an event. Another publisher
// may have used the message id, or the log may know an id whose event it never
// stored: then the event is published under another message id, and Postgres
// decides by its identity whether it is new.
func (s *Spool) check(ctx context.Context, e spooled, sequence uint64) claim {
	if s.blind.Load() {
		s.trusted.Add(1)
		return claimTrusted
	}
	m, err := s.cfg.Publisher.stored(ctx, sequence)
	var denied *DeniedError
	switch {
	case errors.As(err, &denied):
		s.blind.Store(true)
		s.trusted.Add(1)
		s.cfg.Logger.Warn("this credential can't read the log, so that its claims to have an event already are taken as they are")
		return claimTrusted
	case errors.Is(err, ErrNotFound):
		return claimFalse
	case err != nil:
		return claimOpen
	case isEvent(m, e):
		return claimTrue
	}
	s.cfg.Logger.Error("the log claims to have an event and has another there; it is published again", slog.Uint64("sequence", sequence))
	return claimFalse
}

func isEvent(m Message, e spooled) bool {
	header := maps.Clone(m.Header)
	delete(header, hdrExpectedStream)
	id := header[hdrMessageID]
	delete(header, hdrMessageID)
	return m.Subject == e.Subject && slices.Equal(id, []string{e.id()}) && bytes.Equal(m.Data, e.Data) &&
		maps.EqualFunc(header, e.Header, slices.Equal)
}

// stored reads one message over the publisher's connection. It fails with
// *DeniedError where the credential can't.
func (p *Publisher) stored(ctx context.Context, sequence uint64) (Message, error) {
	for _, verb := range []string{"INFO.", "MSG.GET."} {
		if denied, _ := p.link.denied.since("$JS.API.STREAM."+verb+StreamName, time.Time{}); denied {
			return Message{}, &DeniedError{Subject: "$JS.API.STREAM." + verb + StreamName}
		}
	}
	ctx, cancel := context.WithTimeout(ctx, ackTimeout)
	defer cancel()
	asked, stopInfo := p.link.whilePermitted(ctx, "$JS.API.STREAM.INFO."+StreamName)
	defer stopInfo()
	asked, stopGet := p.link.whilePermitted(asked, "$JS.API.STREAM.MSG.GET."+StreamName)
	defer stopGet()
	handle, err := p.js.Stream(asked, StreamName)
	var m *jetstream.RawStreamMsg
	if err == nil {
		m, err = handle.GetMsg(asked, sequence)
	}
	var denied *DeniedError
	switch {
	case err == nil:
		return Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Sequence: m.Sequence, Time: m.Time}, nil
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return Message{}, fmt.Errorf("get sequence %d: %w", sequence, ErrNotFound)
	case errors.As(context.Cause(asked), &denied):
		return Message{}, denied
	}
	return Message{}, fmt.Errorf("get sequence %d: %w", sequence, err)
}
