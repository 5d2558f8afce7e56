package stream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Subjects of the server's snapshot API. The client library has no calls for it.
const (
	subjectSnapshot = "$JS.API.STREAM.SNAPSHOT." + StreamName
	subjectRestore  = "$JS.API.STREAM.RESTORE." + StreamName
	subjectInfo     = "$JS.API.STREAM.INFO." + StreamName
	subjectDelete   = "$JS.API.STREAM.DELETE." + StreamName

	subjectSnapshotAcks  = "$JS.SNAPSHOT.ACK." + StreamName + ".>"
	subjectRestoreChunks = "$JS.SNAPSHOT.RESTORE." + StreamName + ".>"
)

const (
	snapshotChunk = 128 << 10 // bytes of one message of a snapshot, below max_payload
	snapshotQuiet = 30 * time.Second
)

// Snapshot says what a snapshot of the stream holds.
type Snapshot struct {
	Epoch    string
	First    uint64 // sequence of the first message
	Last     uint64 // sequence of the last message
	Messages uint64 // how many; below Last - First + 1 where some were erased

	// Stream is the stream's configuration and state in the server's own JSON;
	// RestoreSnapshot needs it beside the bytes.
	Stream []byte
}

// described is a stream's configuration and state as the server writes them. The
// parts that aren't read here are passed on as they are.
type described struct {
	Config json.RawMessage `json:"config"`
	State  json.RawMessage `json:"state"`
}

func (d described) snapshot() (Snapshot, error) {
	var config struct {
		Metadata map[string]string `json:"metadata"`
	}
	var state struct {
		First    uint64 `json:"first_seq"`
		Last     uint64 `json:"last_seq"`
		Messages uint64 `json:"messages"`
	}
	if err := errors.Join(json.Unmarshal(d.Config, &config), json.Unmarshal(d.State, &state)); err != nil {
		return Snapshot{}, err
	}
	text, err := json.Marshal(d)
	return Snapshot{Epoch: config.Metadata[epochKey], First: state.First, Last: state.Last, Messages: state.Messages, Stream: text}, err
}

// codeRestoreFailed: the server can't put a restored stream in place.
const codeRestoreFailed jetstream.ErrorCode = 10062

// apiFailure is the server's refusal of a call.
type apiFailure struct {
	Error *apiRefusal `json:"error"`
}

// apiRefusal is why.
type apiRefusal struct {
	Code        jetstream.ErrorCode `json:"err_code"`
	Description string              `json:"description"`
}

func (r *apiRefusal) Error() string { return "nats-server: " + r.Description }

func (f apiFailure) err() error {
	if f.Error == nil {
		return nil
	}
	return f.Error
}

// Snapshot writes the whole stream as it is now to w, by the server's own snapshot:
// messages that arrive meanwhile are left out. The server reads every message and
// its checksum; a damaged one ends it with an error.
func (s *Stream) Snapshot(ctx context.Context, w io.Writer) (Snapshot, error) {
	snap, err := s.snapshot(ctx, w)
	if err != nil {
		return Snapshot{}, fmt.Errorf("snapshot of stream %s: %w", StreamName, err)
	}
	if snap.Epoch != s.epoch {
		return Snapshot{}, fmt.Errorf("snapshot of stream %s: %w", StreamName, &EpochError{Got: snap.Epoch, Want: s.epoch})
	}
	return snap, nil
}

func (s *Stream) snapshot(ctx context.Context, w io.Writer) (Snapshot, error) {
	lost := s.link.reconnected()
	inbox := s.link.conn.NewInbox()
	// The server sends 8 MiB ahead at most; the channel has room for more than that.
	chunks := make(chan *nats.Msg, 1024)
	sub, err := s.link.conn.ChanSubscribe(inbox, chunks)
	if err != nil {
		return Snapshot{}, err
	}
	defer func() { _ = sub.Unsubscribe() }() // fails only where the connection is gone
	request, err := json.Marshal(map[string]any{"deliver_subject": inbox, "no_consumers": true, "chunk_size": snapshotChunk, "jsck": true})
	if err != nil {
		return Snapshot{}, err
	}
	var answer struct {
		apiFailure
		described
	}
	if err := s.link.ask(ctx, subjectSnapshot, request, &answer); err != nil {
		return Snapshot{}, err
	}
	if err := answer.err(); err != nil {
		return Snapshot{}, err
	}
	for {
		quiet := time.NewTimer(snapshotQuiet)
		select {
		case m := <-chunks:
			quiet.Stop()
			if len(m.Data) == 0 {
				if status := m.Header.Get("Status"); status != "" && status != "204" {
					return Snapshot{}, fmt.Errorf("nats-server: %s %s", status, m.Header.Get("Description"))
				}
				return answer.snapshot()
			}
			if _, err := w.Write(m.Data); err != nil {
				return Snapshot{}, err
			}
			if m.Reply == "" {
				continue // the last chunk asks for no acknowledgement
			}
			if err := m.Respond(nil); err != nil {
				return Snapshot{}, err
			}
		case <-quiet.C:
			return Snapshot{}, fmt.Errorf("nats-server sent nothing for %s", snapshotQuiet)
		case <-lost:
			return Snapshot{}, errReconnected
		case <-s.link.closed:
			return Snapshot{}, nats.ErrConnectionClosed
		case <-ctx.Done():
			return Snapshot{}, ctx.Err()
		}
	}
}

// ask sends one request and reads its answer.
func (l *link) ask(ctx context.Context, subject string, request []byte, answer any) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Minute) // a large store is opened first
	defer cancel()
	asked, stop := l.whilePermitted(ctx, subject)
	defer stop()
	m, err := l.conn.RequestWithContext(asked, subject, request)
	if err != nil {
		if denied := context.Cause(asked); denied != nil {
			err = denied
		}
		return fmt.Errorf("ask %s: %w", subject, err)
	}
	if len(m.Data) == 0 || answer == nil {
		return nil
	}
	if err := json.Unmarshal(m.Data, answer); err != nil {
		return fmt.Errorf("answer to %s: %w", subject, err)
	}
	return nil
}

// ExistsError says that a stream stands where one is to be restored.
type ExistsError struct {
	Last     uint64 // last sequence of the stream that is there
	Restored uint64 // last sequence of the one to be restored
}

func (e *ExistsError) Error() string {
	return fmt.Sprintf("stream %s exists with last sequence %d, the one to restore ends at %d: nothing was changed", StreamName, e.Last, e.Restored)
}

// RestoreConfig says how to restore a stream.
type RestoreConfig struct {
	Config // how to connect; Replicas and MaxBytes replace the snapshot's where they aren't 0

	Overwrite bool // remove a stream that exists
}

// RestoreSnapshot makes the stream anew from a snapshot: the same messages with
// their sequences, times and epoch. It fails with *ExistsError where there is a
// stream, unless it may be overwritten. Broken off, it leaves no stream. r is read
// again, from where it stands, if the server couldn't put the stream in place at once.
func RestoreSnapshot(ctx context.Context, cfg RestoreConfig, snap Snapshot, r io.ReadSeeker) error {
	l, err := dial(ctx, cfg.Config)
	if err != nil {
		return err
	}
	defer l.close()
	if err := restoreSnapshot(ctx, l, cfg, snap, r); err != nil {
		return fmt.Errorf("restore stream %s: %w", StreamName, err)
	}
	return nil
}

func restoreSnapshot(ctx context.Context, l *link, cfg RestoreConfig, snap Snapshot, r io.ReadSeeker) error {
	var about described
	if err := json.Unmarshal(snap.Stream, &about); err != nil {
		return err
	}
	config := map[string]any{}
	if err := json.Unmarshal(about.Config, &config); err != nil {
		return err
	}
	if cfg.Replicas > 0 {
		config["num_replicas"] = cfg.Replicas
	}
	if cfg.MaxBytes > 0 {
		config["max_bytes"] = cfg.MaxBytes
	}
	var there struct {
		State struct {
			Last uint64 `json:"last_seq"`
		} `json:"state"`
		apiFailure
	}
	if err := l.ask(ctx, subjectInfo, nil, &there); err != nil {
		return err
	}
	switch {
	case there.Error == nil && !cfg.Overwrite:
		return &ExistsError{Last: there.State.Last, Restored: snap.Last}
	case there.Error == nil:
		if err := l.remove(ctx); err != nil {
			return err
		}
	case there.Error.Code != jetstream.JSErrCodeStreamNotFound:
		return there.Error
	}
	start, err := r.Seek(0, io.SeekCurrent)
	if err != nil {
		return err
	}
	err = l.sendSnapshot(ctx, config, about.State, r)
	// The server sweeps up after a removed stream in its own time, and can take
	// the restored one's folder away with it.
	var swept *apiRefusal
	for again := 0; again < 3 && there.Error == nil && errors.As(err, &swept) && (swept.Code == codeRestoreFailed || swept.Code == codeStoreRefused); again++ {
		if _, err = r.Seek(start, io.SeekStart); err == nil {
			err = l.sendSnapshot(ctx, config, about.State, r)
		}
	}
	if err != nil {
		// What came before the fault must not pass for the stream.
		clean, cancel := context.WithTimeout(context.WithoutCancel(ctx), apiTimeout)
		defer cancel()
		_ = l.remove(clean) // there may be none
	}
	return err
}

func (l *link) remove(ctx context.Context) error {
	var answer apiFailure
	if err := l.ask(ctx, subjectDelete, nil, &answer); err != nil {
		return err
	}
	return answer.err()
}

// sendSnapshot hands a snapshot to the server, one acknowledged chunk after the
// other, and waits until it is stored.
func (l *link) sendSnapshot(ctx context.Context, config map[string]any, state json.RawMessage, r io.Reader) error {
	request, err := json.Marshal(map[string]any{"config": config, "state": state})
	if err != nil {
		return err
	}
	var answer struct {
		apiFailure
		DeliverSubject string `json:"deliver_subject"`
	}
	if err := l.ask(ctx, subjectRestore, request, &answer); err != nil {
		return err
	}
	if err := answer.err(); err != nil {
		return err
	}
	chunk := make([]byte, snapshotChunk)
	for {
		n, err := io.ReadFull(r, chunk)
		if n > 0 {
			var stored apiFailure
			if err := errors.Join(l.ask(ctx, answer.DeliverSubject, chunk[:n], &stored), stored.err()); err != nil {
				return err
			}
		}
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			var stored apiFailure
			if err := l.ask(ctx, answer.DeliverSubject, nil, &stored); err != nil {
				return err
			}
			return stored.err()
		case err != nil:
			return err
		}
	}
}
