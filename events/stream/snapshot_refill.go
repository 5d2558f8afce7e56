package stream

import (
	"context"
	"errors"
	"fmt"
	"strconv"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// hdrExpectedLast makes the server refuse a message that wouldn't follow right
// after a sequence.
const hdrExpectedLast = "Nats-Expected-Last-Sequence"

// OpenToRefill opens a stream that lost its end, or makes it anew, empty, with the
// epoch that the checkpoint remembers (cfg.ExpectEpoch). Nobody else may create a
// stream with an old epoch: its sequences are to become the old ones again.
func OpenToRefill(ctx context.Context, cfg Config) (*Stream, error) {
	epoch := cfg.ExpectEpoch
	if epoch == "" {
		return nil, errors.New("refill: the checkpoint remembers no epoch: nothing was ever read from a stream")
	}
	cfg.MinLastSequence, cfg.ManageStream = 0, false
	s, err := Open(ctx, cfg)
	if !errors.Is(err, ErrMissing) {
		return s, err
	}
	l, err := dial(ctx, cfg)
	if err != nil {
		return nil, err
	}
	defer l.close()
	js, err := jetstream.New(l.conn, jetstream.WithDefaultTimeout(apiTimeout))
	if err != nil {
		return nil, err
	}
	if cfg.MaxBytes <= 0 {
		if cfg.Server == nil {
			return nil, errors.New("create the stream anew: its bound (LENSLEDGER_STREAM_MAX_BYTES) must be given, for this server's disk isn't known here")
		}
		cfg.MaxBytes = cfg.Server.maxFileBytes() / 5 * 4
	}
	if _, err := js.CreateStream(ctx, streamConfig(cfg, epoch)); err != nil {
		return nil, fmt.Errorf("create the stream anew: %w", err)
	}
	return Open(ctx, cfg)
}

// TakenError says that a message couldn't get its old sequence back, because the
// stream doesn't end right before it: somebody else publishes.
type TakenError struct {
	Sequence uint64 // the sequence wanted
	Err      error  // what the server says
}

func (e *TakenError) Error() string {
	return fmt.Sprintf("sequence %d of stream %s couldn't be given back: something else was published meanwhile; stop intake and every publisher, and look before going on: %v", e.Sequence, StreamName, e.Err)
}

func (e *TakenError) Unwrap() error { return e.Err }

// Refill gives messages back the sequences they had, from first on, each stored under
// its own or not at all: the server refuses one that wouldn't follow right after the
// sequence before. One is sent at a time, or those behind a refused one would still
// be stored. Message ids aren't used; Outgoing.MessageID is ignored. It fails with
// *TakenError where another message came between. After any other error, what is
// stored is right, and whoever looks where the stream ends can go on.
func (s *Stream) Refill(ctx context.Context, first uint64, batch []Outgoing) error {
	for i, out := range batch {
		if err := s.refillOne(ctx, first+uint64(i), out); err != nil {
			return fmt.Errorf("refill sequence %d: %w", first+uint64(i), err)
		}
	}
	return nil
}

func (s *Stream) refillOne(ctx context.Context, sequence uint64, out Outgoing) error {
	msg := &nats.Msg{Subject: out.Subject, Data: out.Data, Header: make(nats.Header, len(out.Header)+1)}
	for name, values := range out.Header {
		msg.Header[name] = values
	}
	msg.Header.Set(hdrExpectedLast, strconv.FormatUint(sequence-1, 10))
	if n := wireSize(msg); n > MaxMessageBytes {
		return &TooLargeError{Bytes: n, Limit: MaxMessageBytes}
	}
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	ctx, stop := s.link.whilePermitted(ctx, msg.Subject)
	defer stop()
	ack, err := s.js.PublishMsg(ctx, msg)
	var api *jetstream.APIError
	switch {
	case err == nil && ack.Stream == StreamName && ack.Sequence == sequence:
		return nil
	case err == nil:
		return &TakenError{sequence, fmt.Errorf("stored as sequence %d of %s", ack.Sequence, ack.Stream)}
	case errors.As(err, &api) && (api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant):
		return &TakenError{sequence, err}
	case ctx.Err() != nil:
		return context.Cause(ctx)
	}
	return refusal(err)
}

// ErasureToRefill writes an Erasure as it is stored, for Refill. Only a credential that
// may erase, or RestorePermissions, can publish it.
func ErasureToRefill(e Erasure) (Outgoing, error) {
	msg, err := e.message()
	if err != nil {
		return Outgoing{}, err
	}
	return Outgoing{Subject: msg.Subject, Header: msg.Header, Data: msg.Data}, nil
}
