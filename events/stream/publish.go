package stream

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Outgoing is one event on its way to the stream.
type Outgoing struct {
	Subject   string              // as Subject makes it
	MessageID string              // the same at each try of one event
	Header    map[string][]string // none that begins with "Nats-": those are the broker's
	Data      []byte
}

// Ack says where an event is stored. It comes only once the event is on disk.
type Ack struct {
	Sequence uint64

	// Duplicate says that the broker has seen the message id within the
	// duplicate window and stored nothing now. It is a claim, not a proof: what
	// is stored at Sequence can be read with Stream.Get.
	Duplicate bool
}

// Result is what became of one event of a batch.
type Result struct {
	Ack
	Kept bool // by a Spool, which delivers it later; then there is no Ack
	Err  error
}

// ErrFull says that the log takes no more events until it is given more room.
var ErrFull = errors.New("the log is full (max_bytes of the stream, or the store's limit)")

// ErrNotAcknowledged says that the caller's time ended before the log answered: it
// is away, or its disk is full or broken. The event may be stored or not, and is to
// be sent again with the same id.
var ErrNotAcknowledged = errors.New("not acknowledged by the log in time; send it again with the same id")

// ErrOtherStream says that another stream than the one of record answered.
var ErrOtherStream = errors.New("another stream answers on these subjects")

// errMalformed says that an event can't be sent as it is.
var errMalformed = errors.New("malformed")

// Publisher sends events and waits until they are stored. Its methods may be
// called concurrently; together they keep at most Config.InFlight events under
// way.
type Publisher struct {
	link     *link
	ownsLink bool
	js       jetstream.JetStream
	domain   string
	slots    chan struct{} // one for each event under way
}

// OpenPublisher connects to publish only, as somebody whose permissions allow
// nothing else. Close ends the connection.
func OpenPublisher(ctx context.Context, cfg Config) (*Publisher, error) {
	l, err := dial(ctx, cfg)
	if err != nil {
		return nil, err
	}
	p, err := newPublisher(cfg, l)
	if err != nil {
		l.close()
		return nil, err
	}
	p.ownsLink = true
	return p, nil
}

const (
	ackTimeout  = 5 * time.Second // after this one try counts as lost
	firstWait   = 50 * time.Millisecond
	longestWait = 2 * time.Second
)

func newPublisher(cfg Config, l *link) (*Publisher, error) {
	// The slots bound what is under way, so the client's own bound lies above.
	js, err := jetstream.New(l.conn,
		jetstream.WithPublishAsyncMaxPending(2*cfg.inFlight()),
		jetstream.WithPublishAsyncTimeout(ackTimeout))
	if err != nil {
		return nil, fmt.Errorf("publisher: %w", err)
	}
	return &Publisher{link: l, js: js, domain: cfg.Domain, slots: make(chan struct{}, cfg.inFlight())}, nil
}

// Close ends the connection of a publisher made by OpenPublisher.
func (p *Publisher) Close() {
	if p.ownsLink {
		p.link.close()
	}
}

// Connected reports whether the connection stands at this moment.
func (p *Publisher) Connected() bool { return p.link.conn.IsConnected() }

// Publish stores one event and returns once it is on disk. While the server is
// away it tries again, with the same message id, until ctx ends; then the event
// may or may not be stored, and is to be sent again with the same id.
func (p *Publisher) Publish(ctx context.Context, out Outgoing) (Ack, error) {
	r := p.PublishBatch(ctx, []Outgoing{out})[0]
	return r.Ack, r.Err
}

// PublishBatch stores several events, many of them under way at once, and
// returns one result for each, in their order. An event that had to be sent
// again may be stored behind those that follow it: the order of arrival carries
// no meaning. Each event stands alone; a refused one doesn't hold up the rest.
func (p *Publisher) PublishBatch(ctx context.Context, batch []Outgoing) []Result {
	results := make([]Result, len(batch))
	var pending []try
	for i, out := range batch {
		msg, err := out.message()
		if err != nil {
			results[i].Err = err
			continue
		}
		pending = append(pending, try{index: i, msg: msg})
	}
	p.settle(ctx, pending, results)
	for i := range results {
		if results[i].Err != nil {
			results[i].Err = fmt.Errorf("publish %s: %w", batch[i].MessageID, results[i].Err)
		}
	}
	return results
}

// settle sends each event until the server has answered for good or ctx ends, and
// notes what became of it.
func (p *Publisher) settle(ctx context.Context, pending []try, results []Result) {
	for wait := firstWait; len(pending) > 0; wait = min(2*wait, longestWait) {
		again := p.round(ctx, pending, results)
		if len(again) == 0 {
			break
		}
		if len(again) < len(pending) {
			wait = firstWait
		}
		pending = again
		select {
		case <-time.After(wait):
			continue
		case <-ctx.Done():
		}
		for _, t := range pending {
			results[t.index].Err = notAcknowledged(ctx, results[t.index].Err)
		}
		break
	}
}

// try is one event being sent.
type try struct {
	index  int // in the batch
	msg    *nats.Msg
	begun  time.Time
	future jetstream.PubAckFuture
	err    error // it couldn't even be sent
}

// round sends each event once, as many at a time as there are slots, notes what
// became of it, and returns those for which another try can help.
func (p *Publisher) round(ctx context.Context, pending []try, results []Result) []try {
	var sent, again []try // sent: under way, oldest first
	collect := func() {
		oldest := sent[0]
		sent = sent[1:]
		ack, err := p.answer(ctx, oldest)
		<-p.slots
		results[oldest.index] = Result{Ack: ack, Err: err}
		if passing(err) {
			again = append(again, oldest)
		}
	}
	for _, t := range pending {
		held := p.takeSlot(ctx, len(sent) == 0)
		for !held && len(sent) > 0 {
			collect()
			held = p.takeSlot(ctx, len(sent) == 0)
		}
		if !held {
			results[t.index].Err = notAcknowledged(ctx, nil)
			continue
		}
		t.begun = time.Now()
		t.future, t.err = p.js.PublishMsgAsync(t.msg)
		sent = append(sent, t)
	}
	for len(sent) > 0 {
		collect()
	}
	return again
}

// takeSlot takes a slot if there is one. Only a caller that holds none itself may
// wait for one: others might all be waiting for those it holds.
func (p *Publisher) takeSlot(ctx context.Context, wait bool) bool {
	if ctx.Err() != nil {
		return false
	}
	select {
	case p.slots <- struct{}{}:
		return true
	default:
	}
	if !wait {
		return false
	}
	select {
	case p.slots <- struct{}{}:
		return true
	case <-ctx.Done():
		return false
	}
}

// answer waits for what the server says to one try.
func (p *Publisher) answer(ctx context.Context, t try) (Ack, error) {
	if t.err != nil {
		return Ack{}, t.err
	}
	for {
		denied, changed := p.link.denied.since(t.msg.Subject, t.begun)
		if denied {
			return Ack{}, &DeniedError{Subject: t.msg.Subject}
		}
		select {
		case ack := <-t.future.Ok():
			if ack.Stream != StreamName || ack.Domain != p.domain {
				return Ack{}, fmt.Errorf("%w: acknowledged by stream %q of domain %q, expected %q of %q", ErrOtherStream, ack.Stream, ack.Domain, StreamName, p.domain)
			}
			return Ack{Sequence: ack.Sequence, Duplicate: ack.Duplicate}, nil
		case err := <-t.future.Err():
			return Ack{}, refusal(err)
		case <-changed:
		case <-p.link.closed:
			return Ack{}, nats.ErrConnectionClosed
		case <-ctx.Done():
			return Ack{}, notAcknowledged(ctx, nil)
		}
	}
}

// notAcknowledged says what ended the wait, and what was answered last, if anything.
func notAcknowledged(ctx context.Context, last error) error {
	if last == nil {
		return fmt.Errorf("%w: %w", ErrNotAcknowledged, ctx.Err())
	}
	return fmt.Errorf("%w: %w, last: %w", ErrNotAcknowledged, ctx.Err(), last)
}

// passing reports whether trying again can help: nothing answered, or the
// server that leads the stream is just changing.
func passing(err error) bool {
	for _, known := range []error{
		jetstream.ErrAsyncPublishTimeout, jetstream.ErrNoStreamResponse, jetstream.ErrTooManyStalledMsgs,
		nats.ErrDisconnected, nats.ErrReconnectBufExceeded, nats.ErrNoResponders, nats.ErrTimeout,
	} {
		if errors.Is(err, known) {
			return true
		}
	}
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == codeUnavailable || api.ErrorCode == codeInProcess)
}

// Away reports whether an error says that the server gives no answer for now: it
// is waited for, whatever was asked of it.
func Away(err error) bool { return passing(err) || errors.Is(err, context.DeadlineExceeded) }

// Codes of the server's answers that package jetstream doesn't name.
const (
	codeUnavailable     jetstream.ErrorCode = 10008 // JetStream system temporarily unavailable
	codeInProcess       jetstream.ErrorCode = 10158 // the earlier try of this very message id isn't settled yet
	codeNoResources     jetstream.ErrorCode = 10023 // insufficient resources: the account's store is full
	codeNoStorage       jetstream.ErrorCode = 10047 // insufficient storage: a stream's limit is above the store's
	codeStoreRefused    jetstream.ErrorCode = 10077 // the store's own words: full, or failed
	codeOtherStream     jetstream.ErrorCode = 10060 // expected stream doesn't match
	codeMessageTooLarge jetstream.ErrorCode = 10054 // message size exceeds maximum allowed
	textStreamIsFull                        = "maximum bytes exceeded"
	hdrMessageID                            = "Nats-Msg-Id"
	hdrExpectedStream                       = "Nats-Expected-Stream"
	hdrReserved                             = "nats-" // all of the broker's own, in lower case
)

// refusal names the refusals that a caller can act on.
func refusal(err error) error {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		full := api.ErrorCode == codeNoResources ||
			api.ErrorCode == codeStoreRefused && strings.Contains(api.Description, textStreamIsFull)
		if full {
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
	}
	return err
}

// message checks an event and writes it as a NATS message.
func (o Outgoing) message() (*nats.Msg, error) {
	if _, ok := ParseSubject(o.Subject); !ok {
		return nil, fmt.Errorf("%w: subject %q isn't %s<source>.<department>.<noun>.<participle>", errMalformed, o.Subject, subjectPrefix)
	}
	if o.MessageID == "" {
		return nil, fmt.Errorf("%w: message id is empty", errMalformed)
	}
	msg := &nats.Msg{Subject: o.Subject, Data: o.Data, Header: make(nats.Header, len(o.Header)+2)}
	for name, values := range o.Header {
		if strings.HasPrefix(strings.ToLower(name), hdrReserved) {
			return nil, fmt.Errorf("%w: header %q is reserved for the broker", errMalformed, name)
		}
		msg.Header[name] = values
	}
	msg.Header.Set(hdrMessageID, o.MessageID)
	// A stream by another name on the same subjects must not answer instead.
	msg.Header.Set(hdrExpectedStream, StreamName)
	if n := wireSize(msg); n > MaxMessageBytes {
		return nil, &TooLargeError{Bytes: n, Limit: MaxMessageBytes}
	}
	return msg, nil
}

// wireSize is the size that the server's limit applies to: the payload and the
// headers, "NATS/1.0\r\n" and "name: value\r\n" for each and "\r\n" at the end.
func wireSize(m *nats.Msg) int {
	n := len(m.Data) + len("NATS/1.0\r\n\r\n")
	for name, values := range m.Header {
		for _, v := range values {
			n += len(name) + len(": ") + len(v) + len("\r\n")
		}
	}
	return n
}
