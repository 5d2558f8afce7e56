package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// BatchConfig says how messages are gathered for a handler.
type BatchConfig struct {
	// Max is the most messages of one batch; 0 means 500. Its payload is
	// bounded too, at about 16 MiB.
	Max int

	// Wait is how long to wait for more once a first message is there. 0 takes
	// what has already arrived: a quiet stream has no added latency, and a busy
	// one fills batches while the handler is at work.
	Wait time.Duration
}

func (c BatchConfig) max() int {
	if c.Max <= 0 {
		return 500
	}
	return c.Max
}

// Handler is given messages in the order of their sequence, without gaps: where one
// was erased, what replaces it stands in its place. The slice is the handler's to
// keep.
type Handler func(ctx context.Context, batch []Message) error

// Follow gives the handler every message from sequence from on, and goes on with
// those that are still to come. It ends only with ctx, with the handler's error,
// or with an error that names what is wrong with the log: *GapError,
// *EpochError, *BehindError (from is more than one past the last sequence) or
// ErrMissing. A lost connection, a restarted server or a stalled reader it mends
// by itself, from the message after the last one handled.
func (s *Stream) Follow(ctx context.Context, from uint64, cfg BatchConfig, handle Handler) error {
	if err := s.Verify(ctx); err != nil {
		return err
	}
	r := s.newReader(from, 0, cfg, handle)
	return r.run(ctx)
}

// Replay gives the handler every message from sequence from to the one that is
// the last when Replay is called, and returns that one's sequence. Memory is
// bounded, however long the log.
func (s *Stream) Replay(ctx context.Context, from uint64, cfg BatchConfig, handle Handler) (uint64, error) {
	if err := s.Verify(ctx); err != nil {
		return 0, err
	}
	from = max(from, 1)
	info, err := s.reaching(ctx, from-1)
	if err != nil {
		return 0, err
	}
	if info.Last < from {
		return info.Last, nil
	}
	return info.Last, s.newReader(from, info.Last, cfg, handle).run(ctx)
}

// Read returns the messages from sequence from on that are stored now, at most
// limit of them.
func (s *Stream) Read(ctx context.Context, from uint64, limit int) ([]Message, error) {
	info, err := s.Info(ctx)
	if err != nil {
		return nil, err
	}
	from = max(from, 1)
	if info.Last < from || limit <= 0 {
		return nil, nil
	}
	last := info.Last
	if last-from >= uint64(limit) {
		last = from + uint64(limit) - 1
	}
	var all []Message
	err = s.newReader(from, last, BatchConfig{}, func(_ context.Context, batch []Message) error {
		all = append(all, batch...)
		return nil
	}).run(ctx)
	return all, err
}

// reader is one walk along the stream.
type reader struct {
	s      *Stream
	next   uint64 // sequence that must come next
	last   uint64 // sequence to stop at; 0 for never
	cfg    BatchConfig
	handle Handler
	behind *Message // the one before next, once one was handed over
}

func (s *Stream) newReader(from, last uint64, cfg BatchConfig, handle Handler) *reader {
	return &reader{s: s, next: max(from, 1), last: last, cfg: cfg, handle: handle}
}

// handlerError carries a handler's error past the decision to try again.
type handlerError struct{ error }

// run reads with one consumer after another until the walk ends.
func (r *reader) run(ctx context.Context) error {
	for wait := firstWait; ; wait = min(2*wait, longestWait) {
		before := r.next
		err := r.consume(ctx)
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil && !errors.As(err, &handlerError{}):
			return ctx.Err()
		case !r.mendable(err):
			if h := (handlerError{}); errors.As(err, &h) {
				return h.error
			}
			return err
		}
		if r.next != before {
			wait = firstWait
		}
		r.s.link.log.Info("stream reader starts anew", "next", r.next, "because", err.Error())
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return ctx.Err()
		case <-r.s.link.closed:
			return err
		}
	}
}

// mendable reports whether another consumer may get further.
func (r *reader) mendable(err error) bool {
	var (
		gap     *GapError
		epoch   *EpochError
		behind  *BehindError
		history *HistoryError
		handler handlerError
	)
	switch {
	case errors.As(err, &handler), errors.As(err, &gap), errors.As(err, &epoch), errors.As(err, &behind), errors.As(err, &history), errors.Is(err, ErrMissing):
		return false
	}
	select {
	case <-r.s.link.closed:
		return false
	default:
		return true
	}
}

// Reasons for which a reader starts anew.
var (
	errReconnected = errors.New("connection was restored")
	errStalled     = errors.New("messages are waiting but none arrives")
	errLostOnWay   = errors.New("a message was lost on its way")
)

// consumerLife is how long the server keeps a consumer that nobody asks
// anything of. Nothing is lost with it: the position is the reader's.
const consumerLife = time.Minute

// readerTimeout bounds a question with which a reader starts anew.
const readerTimeout = 5 * time.Second

// consume checks that the stream is still the one opened and reaches to the
// position, and reads with one new consumer until something is wrong with it.
func (r *reader) consume(ctx context.Context) error {
	life, end := context.WithCancelCause(ctx)
	defer end(nil)
	// A question or a pull that was under way when the connection broke is
	// never answered, so everything starts anew with the new connection.
	reconnected := r.s.link.reconnected()
	go func() {
		select {
		case <-reconnected:
			end(errReconnected)
		case <-life.Done():
		}
	}()
	consumer, err := r.newConsumer(life)
	if err != nil {
		return err
	}
	box := newInbox()
	consuming, err := consumer.Consume(func(m jetstream.Msg) {
		meta, err := m.Metadata()
		if err != nil {
			end(fmt.Errorf("message without position: %w", err))
			return
		}
		box.put(life, delivery{
			Message: Message{Subject: m.Subject(), Header: m.Headers(), Data: m.Data(), Sequence: meta.Sequence.Stream, Time: meta.Timestamp},
			number:  meta.Sequence.Consumer,
		})
	},
		jetstream.PullMaxBytes(maxInboxBytes),
		jetstream.PullHeartbeat(r.s.cfg.heartbeat()),
		jetstream.PullExpiry(max(30*time.Second, 2*r.s.cfg.heartbeat())),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) { end(err) }))
	if err != nil {
		return fmt.Errorf("consume from sequence %d: %w", r.next, err)
	}
	defer func() {
		end(nil)
		consuming.Stop()
		<-consuming.Closed()
	}()
	return r.deliver(ctx, life, box)
}

// newConsumer checks the stream against the position and makes a consumer that
// starts there.
func (r *reader) newConsumer(ctx context.Context) (jetstream.Consumer, error) {
	info, err := r.s.reaching(ctx, r.next-1)
	if err != nil {
		return nil, err
	}
	// While servers agree who leads, a question is dropped: ask again soon.
	life := ctx
	ctx, cancel := context.WithTimeout(ctx, readerTimeout)
	defer cancel()
	// A log restored from an older copy may have grown past the position again.
	if r.behind != nil && !IsErasure(*r.behind) {
		if err := r.s.Holds(ctx, r.behind.Sequence, r.behind.Data); err != nil {
			return nil, err
		}
	}
	consumer, err := r.s.js.CreateConsumer(ctx, StreamName, jetstream.ConsumerConfig{
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       r.next,
		AckPolicy:         jetstream.AckNonePolicy,
		MaxDeliver:        -1,
		MemoryStorage:     true,
		Replicas:          1,
		InactiveThreshold: consumerLife,
	})
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, ErrMissing
	}
	if err != nil {
		return nil, fmt.Errorf("create consumer at sequence %d: %w", r.next, err)
	}
	if info.Last >= r.next && consumer.CachedInfo().NumPending == 0 {
		if err := r.awaitPending(life, consumer, info.Last); err != nil {
			return nil, err
		}
	}
	return consumer, nil
}

// awaitPending names a gap where the log goes on and the consumer has nothing to
// give. In a cluster the consumer may be on a node that isn't as far as the log yet.
func (r *reader) awaitPending(ctx context.Context, consumer jetstream.Consumer, last uint64) error {
	for begun := time.Now(); r.s.replicas > 1 && time.Since(begun) < settleTime; {
		select {
		case <-time.After(200 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
		ask, cancel := context.WithTimeout(ctx, readerTimeout)
		info, err := consumer.Info(ask)
		cancel()
		if err != nil {
			return fmt.Errorf("look what waits from sequence %d: %w", r.next, err)
		}
		if info.NumPending > 0 || info.Delivered.Stream >= r.next {
			return nil
		}
	}
	return &GapError{Expected: r.next, Last: last}
}

// deliver hands over what arrives, in batches, and watches what doesn't. life
// ends when the consumer is of no more use, ctx when the reader is to stop.
func (r *reader) deliver(ctx, life context.Context, box *inbox) error {
	var number uint64 // of the last message, as the consumer counts
	check := time.NewTicker(2 * r.s.cfg.heartbeat())
	defer check.Stop()
	quiet := true // nothing has arrived since the last check
	for r.last == 0 || r.next <= r.last {
		select {
		case <-life.Done():
			return context.Cause(life)
		case <-check.C:
			if quiet {
				if err := r.mayBeQuiet(life); err != nil {
					return err
				}
			}
			quiet = true
			continue
		case <-box.arrived:
		}
		quiet = false
		batch, err := r.gather(life, box, &number)
		if len(batch) > 0 {
			if err := r.handle(ctx, batch); err != nil {
				return handlerError{err}
			}
			r.behind = &batch[len(batch)-1]
			r.next = r.behind.Sequence + 1
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// gather takes one batch and checks that each message is the one that must come
// next. What stands before a gap is still returned.
func (r *reader) gather(ctx context.Context, box *inbox, number *uint64) ([]Message, error) {
	var batch []Message
	next, bytes := r.next, 0
	limit := r.cfg.max()
	if r.last > 0 && r.last-next+1 < uint64(limit) {
		limit = int(r.last - next + 1)
	}
	var waited <-chan time.Time
	for {
		for _, d := range box.take(limit - len(batch)) {
			if d.number != *number+1 {
				return batch, errLostOnWay
			}
			*number = d.number
			if d.Sequence != next {
				filled, err := r.fill(ctx, next, d.Sequence)
				batch = append(batch, filled...)
				if err != nil {
					return batch, err
				}
				next += uint64(len(filled))
			}
			if r.last > 0 && next > r.last {
				return batch, nil
			}
			next++
			bytes += len(d.Data)
			batch = append(batch, d.Message)
		}
		if len(batch) >= limit || len(batch) == 0 || r.cfg.Wait <= 0 || bytes >= maxInboxBytes {
			return batch, nil
		}
		if waited == nil {
			timer := time.NewTimer(r.cfg.Wait)
			defer timer.Stop()
			waited = timer.C
		}
		select {
		case <-box.arrived:
		case <-waited:
			return batch, nil
		case <-ctx.Done():
			return batch, nil
		}
	}
}

// fill gives what replaces the messages from next up to the one that came, none of
// which is stored. It fails with a *GapError at the first that nothing replaces.
func (r *reader) fill(ctx context.Context, next, came uint64) ([]Message, error) {
	if r.last > 0 {
		came = min(came, r.last+1)
	}
	handle, err := r.s.js.Stream(ctx, StreamName)
	if err != nil {
		return nil, fmt.Errorf("look for what replaces sequence %d: %w", next, err)
	}
	var filled []Message
	for ; next < came; next++ {
		e, err := replacement(ctx, handle, next)
		if errors.Is(err, ErrNotFound) {
			return filled, &GapError{Expected: next, Got: came}
		}
		if err != nil {
			return filled, err
		}
		filled = append(filled, e.Message())
	}
	return filled, nil
}

// mayBeQuiet asks the server whether there is anything the reader should have
// been given by now. It also notices a stream that was recreated meanwhile.
func (r *reader) mayBeQuiet(ctx context.Context) error {
	info, err := r.s.reaching(ctx, r.next-1)
	if err != nil {
		return err
	}
	if info.Last >= r.next {
		return errStalled
	}
	return nil
}
