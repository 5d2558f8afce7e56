package stream

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
)

// Config says how to reach the stream and what it must be like.
type Config struct {
	Server *Server // the server in this process; or
	URL    string  // the address of another, nats://host:port[,nats://...]

	// User and Password, or NKeySeedFile, or CredentialsFile, are for URL. With
	// Server they default to the user that may do everything.
	User, Password  string
	NKeySeedFile    string
	CredentialsFile string

	// Erasing connects to Server as the user that may erase.
	Erasing bool

	// InboxPrefix must match the user's permissions; see InboxPrefix.
	InboxPrefix string

	// Name says who connects, in the server's list of clients.
	Name string

	// ManageStream lets Open create the stream if there is none. Otherwise, as
	// where an operator owns the stream, it is only checked.
	ManageStream bool

	// Replicas is the least number of copies; 0 means 1.
	Replicas int

	// MaxBytes bounds the stream; at the bound, new events are refused and the
	// publishers keep them. 0 accepts any bound of an existing stream, and
	// creates one with four fifths of the server's store.
	MaxBytes int64

	// Domain is the JetStream domain that acknowledgements must come from;
	// empty where there are no leaf nodes.
	Domain string

	// ExpectEpoch and MinLastSequence are what a checkpoint remembers of the
	// stream. With either set, a missing stream is an error and never created.
	ExpectEpoch     string
	MinLastSequence uint64

	// ConnectLater lets Open and OpenPublisher succeed while the server is away, for a
	// program that has a Spool to keep events in until then.
	ConnectLater bool

	// InFlight bounds the events that a publisher has sent and that are not
	// acknowledged yet; 0 means 256.
	InFlight int

	// Heartbeat is how often the server says that an idle reader is still
	// served; after two missed ones the reader starts anew, and after as long a
	// quiet it asks whether it is right to be quiet. 0 means 5 seconds.
	Heartbeat time.Duration

	loading bool // Load's own log, which is synced as a whole

	// Logger hears of lost connections and of readers starting anew. Nil is
	// silent.
	Logger *slog.Logger
}

func (c Config) replicas() int { return max(c.Replicas, 1) }

func (c Config) inFlight() int {
	if c.InFlight <= 0 {
		return 256
	}
	return c.InFlight
}

func (c Config) heartbeat() time.Duration {
	if c.Heartbeat <= 0 {
		return 5 * time.Second
	}
	return c.Heartbeat
}

func (c Config) logger() *slog.Logger {
	if c.Logger == nil {
		return slog.New(slog.DiscardHandler)
	}
	return c.Logger
}

// link is one connection and what it learns from the server by the way.
type link struct {
	conn   *nats.Conn
	closed chan struct{} // closed when the connection is closed for good
	denied denials
	log    *slog.Logger

	mu         sync.Mutex
	reconnects chan struct{} // closed, and made anew, at each reconnection
}

// dial connects. The connection is kept alive for ever: who gives up is decided
// by the caller's context.
func dial(ctx context.Context, cfg Config) (*link, error) {
	l := &link{closed: make(chan struct{}), log: cfg.logger(), reconnects: make(chan struct{})}
	l.denied.changed = make(chan struct{})
	opts := []nats.Option{
		nats.Name(cfg.Name),
		nats.MaxReconnects(-1),
		nats.RetryOnFailedConnect(cfg.ConnectLater),
		// A connection that died without a word is noticed within 15 seconds; the
		// client's default is minutes.
		nats.PingInterval(5 * time.Second),
		nats.MaxPingsOutstanding(2),
		nats.ReconnectWait(200 * time.Millisecond),
		nats.ReconnectJitter(100*time.Millisecond, 500*time.Millisecond),
		// Nothing is buffered while disconnected: an event counts as sent only
		// once it is acknowledged, and the publisher sends it again itself.
		nats.ReconnectBufSize(-1),
		nats.ClosedHandler(func(*nats.Conn) { close(l.closed) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				l.log.Warn("connection to nats-server lost", "error", err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) {
			l.log.Info("connection to nats-server restored")
			l.mu.Lock()
			close(l.reconnects)
			l.reconnects = make(chan struct{})
			l.mu.Unlock()
		}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if subject, ok := deniedSubject(err); ok {
				l.denied.add(subject)
				return
			}
			l.log.Warn("nats-server reports", "error", err)
		}),
	}
	if deadline, ok := ctx.Deadline(); ok {
		opts = append(opts, nats.Timeout(max(time.Until(deadline), time.Millisecond)))
	} else {
		opts = append(opts, nats.Timeout(10*time.Second))
	}
	if cfg.Erasing && cfg.Server != nil {
		cfg.User, cfg.Password, cfg.InboxPrefix = eraseName, cfg.Server.erasePassword, InboxPrefix(eraseName)
	}
	if cfg.InboxPrefix != "" {
		opts = append(opts, nats.CustomInboxPrefix(cfg.InboxPrefix))
	}
	user, password, url := cfg.User, cfg.Password, cfg.URL
	switch {
	case cfg.Server != nil && cfg.URL != "":
		return nil, errors.New("connect to nats-server: Server and URL are both given")
	case cfg.Server != nil:
		opts = append(opts, nats.InProcessServer(cfg.Server.nats))
		if user == "" && cfg.NKeySeedFile == "" && cfg.CredentialsFile == "" {
			user, password = adminName, cfg.Server.adminPassword
		}
	case cfg.URL == "":
		return nil, errors.New("connect to nats-server: neither Server nor URL is given")
	}
	if user != "" {
		opts = append(opts, nats.UserInfo(user, password))
	}
	if cfg.NKeySeedFile != "" {
		key, err := nats.NkeyOptionFromSeed(cfg.NKeySeedFile)
		if err != nil {
			return nil, fmt.Errorf("connect to nats-server: nkey: %w", err)
		}
		opts = append(opts, key)
	}
	if cfg.CredentialsFile != "" {
		opts = append(opts, nats.UserCredentials(cfg.CredentialsFile))
	}
	conn, err := nats.Connect(url, opts...)
	if err != nil {
		return nil, fmt.Errorf("connect to nats-server: %w", err)
	}
	l.conn = conn
	return l, nil
}

// reconnected returns a channel that is closed at the next reconnection.
func (l *link) reconnected() <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.reconnects
}

// close ends the connection and waits until its goroutines told us so.
func (l *link) close() {
	l.conn.Close()
	<-l.closed
}

// denials remembers on which subjects the server refused to let us publish. The
// server says so apart from the message, so whoever waits for an
// acknowledgement on such a subject would wait in vain.
type denials struct {
	mu      sync.Mutex
	at      map[string]time.Time
	changed chan struct{} // closed, and made anew, with each denial
}

// maxDenials bounds the memory that a program publishing on ever new subjects
// could take.
const maxDenials = 1000

func (d *denials) add(subject string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.at == nil || len(d.at) >= maxDenials {
		d.at = map[string]time.Time{}
	}
	d.at[subject] = time.Now()
	close(d.changed)
	d.changed = make(chan struct{})
}

// since reports whether the subject was denied at or after a time, and returns
// the channel to wait on for the next denial.
func (d *denials) since(subject string, t time.Time) (bool, <-chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	at, ok := d.at[subject]
	return ok && !at.Before(t), d.changed
}

// whilePermitted gives a context that ends with a *DeniedError as soon as the
// server says that the subject isn't permitted; it would never answer.
func (l *link) whilePermitted(ctx context.Context, subject string) (context.Context, func()) {
	ctx, end := context.WithCancelCause(ctx)
	begun := time.Now()
	go func() {
		for {
			denied, changed := l.denied.since(subject, begun)
			if denied {
				end(&DeniedError{Subject: subject})
				return
			}
			select {
			case <-changed:
			case <-ctx.Done():
				return
			}
		}
	}()
	return ctx, func() { end(nil) }
}

// deniedSubject reads the subject out of the server's complaint,
// `Permissions Violation for Publish to "subject"`.
func deniedSubject(err error) (string, bool) {
	if !errors.Is(err, nats.ErrPermissionViolation) {
		return "", false
	}
	_, rest, ok := strings.Cut(err.Error(), `Publish to "`)
	if !ok {
		return "", false
	}
	subject, _, ok := strings.Cut(rest, `"`)
	return subject, ok
}
