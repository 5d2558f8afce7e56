package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// Config says where and what to serve.
type Config struct {
	Listen  string       // HOST:PORT; port 0 lets the system choose
	Handler http.Handler // as Handler makes it
	Logger  *slog.Logger // nil is silent

	// StopWithin is how long Run lets requests under way finish after its
	// context ended; 0 means 35 s, longer than the longest wait of a request.
	StopWithin time.Duration
}

// Server serves HTTP until it is told to stop.
type Server struct {
	listener net.Listener
	http     *http.Server
	stop     time.Duration
	log      *slog.Logger

	stopping  context.Context
	beginStop context.CancelFunc
}

// New opens the address, so that a port in use is known at once.
func New(cfg Config) (*Server, error) {
	log := cfg.Logger
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	if cfg.StopWithin <= 0 {
		cfg.StopWithin = 35 * time.Second
	}
	listener, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("serve HTTP on %s: %w", cfg.Listen, err)
	}
	stopping, beginStop := context.WithCancel(context.Background())
	return &Server{
		listener:  listener,
		stop:      cfg.StopWithin,
		log:       log,
		stopping:  stopping,
		beginStop: beginStop,
		http: &http.Server{
			BaseContext: func(net.Listener) context.Context {
				return context.WithValue(context.Background(), stoppingKey{}, stopping.Done())
			},
			Handler:           cfg.Handler,
			ReadHeaderTimeout: 10 * time.Second,
			ReadTimeout:       2 * time.Minute, // 10 MB over a slow line
			WriteTimeout:      4 * time.Minute, // after the body was read and its events waited for
			IdleTimeout:       2 * time.Minute,
			MaxHeaderBytes:    32 << 10,
			ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
		},
	}, nil
}

type stoppingKey struct{}

// Stopping is closed once the Server that took the request begins to stop: an
// answer that would go on for as long as its client listens ends then. Outside of
// a Server it is nil, which is never closed.
func Stopping(ctx context.Context) <-chan struct{} {
	stopping, _ := ctx.Value(stoppingKey{}).(<-chan struct{})
	return stopping
}

// Addr is the address in use, HOST:PORT.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Run serves until ctx ends, then lets requests under way finish. It returns
// nil after such a stop, or after Close.
func (s *Server) Run(ctx context.Context) error {
	defer s.beginStop()
	failed := make(chan error, 1)
	go func() { failed <- s.http.Serve(s.listener) }()
	select {
	case err := <-failed:
		if errors.Is(err, http.ErrServerClosed) {
			return nil
		}
		return fmt.Errorf("serve HTTP on %s: %w", s.Addr(), err)
	case <-ctx.Done():
	}
	s.beginStop()
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.stop)
	defer cancel()
	err := s.http.Shutdown(wait)
	if err != nil {
		s.log.Warn("requests cut off at the end", "after_seconds", s.stop.Seconds())
		err = s.http.Close()
	}
	if serveErr := <-failed; !errors.Is(serveErr, http.ErrServerClosed) {
		err = errors.Join(err, serveErr)
	}
	return err
}

// Close ends at once, requests under way included.
func (s *Server) Close() error {
	s.beginStop()
	// Serve may not have been called yet, so the listener is closed here too.
	return errors.Join(s.http.Close(), ignoreClosed(s.listener.Close()))
}

func ignoreClosed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
