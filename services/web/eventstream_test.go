package web

import (
	"bufio"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// streaming is a server whose limits are short, around one event stream.
func streaming(t *testing.T, listener net.Listener, h http.HandlerFunc) *httptest.Server {
	t.Helper()
	router := NewRouter()
	router.HandleFunc("/changes", h).Methods(http.MethodGet)
	s := httptest.NewUnstartedServer(Handler(router, Options{Logger: slog.New(slog.DiscardHandler)}))
	if listener != nil {
		s.Listener.Close()
		s.Listener = listener
	}
	s.Config.ReadTimeout, s.Config.WriteTimeout = 100*time.Millisecond, 100*time.Millisecond
	s.Start()
	t.Cleanup(s.Close)
	return s
}

// A stream outlives the server's limits on reading and on writing, and is written
// as the standard has it.
func TestEventStreamOutlivesTheLimits(t *testing.T) {
	again := make(chan struct{})
	s := streaming(t, nil, func(w http.ResponseWriter, r *http.Request) {
		events, err := NewEventStream(w, r, 2*time.Second)
		if err != nil {
			t.Error(err)
			return
		}
		<-again
		if err := r.Context().Err(); err != nil {
			t.Errorf("the request ended: %v", err)
		}
		for _, err := range []error{events.Heartbeat(), events.Send("17", "changed", map[string]int{"position": 17})} {
			if err != nil {
				t.Error(err)
			}
		}
	})
	response, err := http.Get(s.URL + "/changes")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body := bufio.NewReader(response.Body)
	first, err := body.ReadString('\n')
	if err != nil || first != "retry: 2000\n" {
		t.Fatalf("%q %v", first, err)
	}
	// Three times the limits: time itself is what is tested here.
	time.AfterFunc(300*time.Millisecond, func() { close(again) })
	rest, err := io.ReadAll(body)
	if want := "\n:\n\nid: 17\nevent: changed\ndata: {\"position\":17}\n\n"; err != nil || string(rest) != want {
		t.Errorf("%q %v", rest, err)
	}
	for name, want := range map[string]string{"Content-Type": "text/event-stream", "Cache-Control": "no-store", "X-Accel-Buffering": "no"} {
		if got := response.Header.Get(name); got != want {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// pipes is a listener whose connections hold nothing: what the client doesn't
// read, the server can't write.
type pipes struct {
	accept chan net.Conn
	closed chan struct{}
	close  func() // may be called twice, closes closed once
}

func newPipes() *pipes {
	p := &pipes{accept: make(chan net.Conn), closed: make(chan struct{})}
	p.close = sync.OnceFunc(func() { close(p.closed) })
	return p
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.accept:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { p.close(); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)} }

// A client that doesn't read is dropped, and later than the server's own limit,
// which isn't meant for it.
func TestEventStreamDropsWhoDoesNotRead(t *testing.T) {
	listener := newPipes()
	ended := make(chan error, 1)
	streaming(t, listener, func(w http.ResponseWriter, r *http.Request) {
		events, err := NewEventStream(w, r, time.Second)
		if err == nil {
			events.within = 200 * time.Millisecond
			for err == nil {
				err = events.Send("1", "changed", "x")
			}
		}
		ended <- err
	})
	client, server := net.Pipe()
	defer client.Close()
	listener.accept <- server
	if _, err := io.WriteString(client, "GET /changes HTTP/1.1\r\nHost: here\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	head := make([]byte, 1)
	for read := ""; !strings.Contains(read, "retry: 1000\n\n\r\n"); { // the first chunk, and then no more
		if _, err := client.Read(head); err != nil {
			t.Fatal(err)
		}
		read += string(head)
	}
	select {
	case err := <-ended:
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("a client that doesn't read holds its handler")
	}
}

// Only the head is asked for: there is nothing to stream.
func TestEventStreamOfAHead(t *testing.T) {
	ended := make(chan error, 1)
	s := streaming(t, nil, func(w http.ResponseWriter, r *http.Request) {
		_, err := NewEventStream(w, r, time.Second)
		ended <- err
	})
	response, err := http.Head(s.URL + "/changes")
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if err := <-ended; !errors.Is(err, ErrHead) || response.StatusCode != 200 {
		t.Errorf("%d %v", response.StatusCode, err)
	}
}

// The server's stop ends a stream at once, long before it would give up waiting.
func TestStopEndsStreams(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	s, err := New(Config{Listen: "127.0.0.1:0", Handler: Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, err := NewEventStream(w, r, time.Second); err != nil {
			t.Error(err)
		}
		select {
		case <-Stopping(r.Context()):
		case <-r.Context().Done():
			t.Error("cut off")
		}
	}), Options{})})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	client := &http.Client{Transport: &http.Transport{}}
	response, err := client.Get("http://" + s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	cancel()
	if body, err := io.ReadAll(response.Body); err != nil || string(body) != "retry: 1000\n\n" {
		t.Errorf("%q %v", body, err)
	}
	response.Body.Close()
	if err := <-ended; err != nil || time.Since(begun) > 10*time.Second {
		t.Errorf("Run: %v after %s", err, time.Since(begun))
	}
	client.CloseIdleConnections()
	if Stopping(context.Background()) != nil {
		t.Error("outside of a server something stops")
	}
}
