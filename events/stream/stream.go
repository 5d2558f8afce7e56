package stream

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Message is one stored event as the stream holds it.
type Message struct {
	Subject  string
	Header   map[string][]string
	Data     []byte
	Sequence uint64    // position in the stream, from 1, without gaps
	Time     time.Time // when the server stored it: the recorded time

	// Replacement is set where the message was erased: what a reader is given then
	// is the event without the person's code, or nothing of it.
	Replacement *Erasure
}

// Info is the state of the stream at one moment.
type Info struct {
	Epoch    string    // changes only when the stream is created anew
	First    uint64    // sequence of the first message
	Last     uint64    // sequence of the last message ever stored; 0 in an empty stream
	LastTime time.Time // recorded time of the last message
	Messages uint64    // how many are stored; below Last - First + 1 where some were erased
	Bytes    uint64    // size in the store
}

// Stream is the open stream CASES. Its methods may be called concurrently.
type Stream struct {
	cfg       Config
	link      *link
	js        jetstream.JetStream
	publisher *Publisher

	mu       sync.Mutex // guards what Verify finds out
	verified bool
	epoch    string
	replicas int
}

// apiTimeout bounds one question to the server, unless the caller's context
// ends before.
const apiTimeout = 10 * time.Second

// Open connects, creates the stream if there is none and cfg lets it, and
// refuses to go on with one whose settings break a promise: a *SettingError for
// each. It fails with ErrMissing, *EpochError or *BehindError if the stream
// isn't the one that cfg's checkpoint belongs to. With cfg.ConnectLater and the
// server away it succeeds, and all this is left to Verify.
func Open(ctx context.Context, cfg Config) (*Stream, error) {
	l, err := dial(ctx, cfg)
	if err != nil {
		return nil, err
	}
	s := &Stream{cfg: cfg, link: l}
	if s.js, err = jetstream.New(l.conn, jetstream.WithDefaultTimeout(apiTimeout)); err == nil {
		s.publisher, err = newPublisher(cfg, l)
	}
	if err != nil {
		l.close()
		return nil, fmt.Errorf("open stream %s: %w", StreamName, err)
	}
	if cfg.ConnectLater && !l.conn.IsConnected() {
		return s, nil
	}
	if err := s.Verify(ctx); err != nil {
		l.close()
		return nil, err
	}
	return s, nil
}

// Verify does what Open left undone because the server was away, with Open's
// errors; while the server is still away its error is one of Away. What reads the
// stream calls it first. Once it succeeded it costs nothing.
func (s *Stream) Verify(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.verified {
		return nil
	}
	if err := s.verify(ctx); err != nil {
		return fmt.Errorf("open stream %s: %w", StreamName, err)
	}
	s.verified = true
	return nil
}

func (s *Stream) verify(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	asked, stop := s.link.whilePermitted(ctx, "$JS.API.STREAM.INFO."+StreamName)
	defer stop()
	handle, err := s.js.Stream(asked, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		handle, err = create(ctx, s.cfg, s.js)
	}
	if err != nil {
		if denied := context.Cause(asked); denied != nil {
			err = denied
		}
		return err
	}
	info := handle.CachedInfo()
	domain, err := domainOf(ctx, s.link.conn)
	if err != nil {
		return err
	}
	if err := errors.Join(checkServer(s.link.conn, s.cfg.Server, s.cfg.loading), checkDomain(domain, s.cfg), checkSettings(info.Config, s.cfg)); err != nil {
		return err
	}
	s.epoch, s.replicas = info.Config.Metadata[epochKey], info.Config.Replicas
	if s.cfg.ExpectEpoch != "" && s.epoch != s.cfg.ExpectEpoch {
		return &EpochError{Got: s.epoch, Want: s.cfg.ExpectEpoch}
	}
	_, err = s.reaching(ctx, s.cfg.MinLastSequence)
	return err
}

// create makes the stream, unless somebody remembers that there was one: an
// empty stream in its place would hide the loss.
func create(ctx context.Context, cfg Config, js jetstream.JetStream) (jetstream.Stream, error) {
	if cfg.ExpectEpoch != "" || cfg.MinLastSequence > 0 {
		return nil, fmt.Errorf("%w, but a checkpoint at sequence %d of epoch %q does: restore the log, nothing was created", ErrMissing, cfg.MinLastSequence, cfg.ExpectEpoch)
	}
	if !cfg.ManageStream {
		return nil, fmt.Errorf("%w, and this process may not create it: create it with the settings in the docs", ErrMissing)
	}
	if cfg.MaxBytes <= 0 {
		if cfg.Server == nil {
			return nil, errors.New("MaxBytes must be given to create the stream on a server whose disk isn't known here")
		}
		cfg.MaxBytes = cfg.Server.maxFileBytes() / 5 * 4
	}
	handle, err := js.CreateStream(ctx, streamConfig(cfg, newEpoch()))
	if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		return js.Stream(ctx, StreamName) // another process was first
	}
	var refused *jetstream.APIError
	if errors.As(err, &refused) && refused.ErrorCode == codeNoStorage {
		return nil, &SettingError{"max_file", "too small for max_bytes", fmt.Sprintf("above %d", cfg.MaxBytes), "the stream's own limit must be met before the store's"}
	}
	if err != nil {
		return nil, fmt.Errorf("create: %w", err)
	}
	return handle, nil
}

// newEpoch makes a random UUID (version 4, RFC 9562).
func newEpoch() string {
	var b [16]byte
	rand.Read(b[:])
	b[6] = b[6]&0x0f | 0x40
	b[8] = b[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:16])
}

// Unverified names the settings that the promises rest on and that can't be read
// from here. A client of another server can't see whether it syncs each write to
// disk, nor where its store is; the operator's configuration answers for that.
// It is empty for the server in this process.
func (s *Stream) Unverified() []string {
	if s.cfg.Server != nil {
		return nil
	}
	return []string{"sync_interval", "store_dir", "max_file"}
}

// Epoch is the epoch of the stream that was opened, empty before it was verified.
// It belongs beside every checkpoint.
func (s *Stream) Epoch() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.epoch
}

// Publisher publishes over this stream's connection.
func (s *Stream) Publisher() *Publisher { return s.publisher }

// Info asks the server for the state of the stream. It fails with *EpochError if
// the stream isn't the opened one any more.
func (s *Stream) Info(ctx context.Context) (Info, error) {
	if err := s.Verify(ctx); err != nil {
		return Info{}, err
	}
	return s.info(ctx)
}

// info is Info of a stream whose epoch is known.
func (s *Stream) info(ctx context.Context) (Info, error) {
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	handle, err := s.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return Info{}, ErrMissing
	}
	if err != nil {
		return Info{}, fmt.Errorf("info of stream %s: %w", StreamName, err)
	}
	info := handle.CachedInfo()
	if epoch := info.Config.Metadata[epochKey]; epoch != s.epoch {
		return Info{}, &EpochError{Got: epoch, Want: s.epoch}
	}
	return Info{
		Epoch:    s.epoch,
		First:    info.State.FirstSeq,
		Last:     info.State.LastSeq,
		LastTime: info.State.LastTime,
		Messages: info.State.Msgs,
		Bytes:    info.State.Bytes,
	}, nil
}

// settleTime is how long a cluster may take after a start to know how far its log
// reaches: whoever leads answers before it has gone through its own record.
const settleTime = 6 * time.Second

// reaching is Info for somebody who knows that the log reached a sequence. It fails
// with *BehindError if the log doesn't, and doesn't within settleTime in a cluster.
func (s *Stream) reaching(ctx context.Context, sequence uint64) (Info, error) {
	for begun := time.Now(); ; {
		info, err := s.info(ctx)
		if err != nil || info.Last >= sequence {
			return info, err
		}
		if s.replicas < 2 || time.Since(begun) > settleTime {
			return info, &BehindError{Last: info.Last, Checkpoint: sequence}
		}
		select {
		case <-time.After(100 * time.Millisecond):
		case <-ctx.Done():
			return info, &BehindError{Last: info.Last, Checkpoint: sequence}
		}
	}
}

// Get reads one message, or what replaces it where it was erased; ErrNotFound if
// none is stored at the sequence.
func (s *Stream) Get(ctx context.Context, sequence uint64) (Message, error) {
	ctx, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	handle, err := s.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return Message{}, ErrMissing
	}
	if err != nil {
		return Message{}, fmt.Errorf("get sequence %d: %w", sequence, err)
	}
	m, err := handle.GetMsg(ctx, sequence)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		e, err := replacement(ctx, handle, sequence)
		if err != nil {
			return Message{}, fmt.Errorf("get sequence %d: %w", sequence, err)
		}
		return e.Message(), nil
	}
	if err != nil {
		return Message{}, fmt.Errorf("get sequence %d: %w", sequence, err)
	}
	return Message{Subject: m.Subject, Header: m.Header, Data: m.Data, Sequence: m.Sequence, Time: m.Time}, nil
}

// Holds fails with a *HistoryError if another message than one with these bytes is
// stored at a sequence. One that is gone is no other: gaps are the reader's to name,
// and an erased event's bytes are meant to be gone.
func (s *Stream) Holds(ctx context.Context, sequence uint64, data []byte) error {
	m, err := s.Get(ctx, sequence)
	switch {
	case errors.Is(err, ErrNotFound):
		return nil
	case err != nil:
		return err
	case IsErasure(m), m.Replacement != nil:
		return nil
	case bytes.Equal(m.Data, data):
		return nil
	}
	// What replaces it may be stored already while the original isn't removed yet.
	if _, err := s.Replacement(ctx, sequence); !errors.Is(err, ErrNotFound) {
		return err
	}
	return &HistoryError{Sequence: sequence}
}

// Connected reports whether the connection stands at this moment, for readiness.
func (s *Stream) Connected() bool { return s.link.conn.IsConnected() }

// Close ends the connection. Readers and publishers still at work fail.
func (s *Stream) Close() { s.link.close() }
