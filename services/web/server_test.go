package web

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// A request under way when the server is told to stop is answered in full; new
// ones aren't taken any more; nothing is left running.
func TestGracefulStop(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	begun, finish := make(chan struct{}), make(chan struct{})
	s, err := New(Config{Listen: "127.0.0.1:0", Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		close(begun)
		<-finish
		_, _ = io.WriteString(w, "whole")
	})})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	client := &http.Client{Transport: &http.Transport{}}
	answer := make(chan string, 1)
	go func() {
		response, err := client.Get("http://" + s.Addr())
		if err != nil {
			answer <- err.Error()
			return
		}
		defer response.Body.Close()
		body, _ := io.ReadAll(response.Body)
		answer <- string(body)
	}()
	<-begun
	cancel()
	for refused := false; !refused; { // the listener closes soon after
		response, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: time.Second}).Get("http://" + s.Addr())
		refused = err != nil
		if err == nil {
			response.Body.Close()
			t.Fatal("a request was answered while stopping")
		}
	}
	close(finish)
	if got := <-answer; got != "whole" {
		t.Errorf("the request under way got %q", got)
	}
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
	client.CloseIdleConnections()
}

func TestStopGivesUpWaiting(t *testing.T) {
	begun := make(chan struct{})
	s, err := New(Config{Listen: "127.0.0.1:0", StopWithin: 20 * time.Millisecond, Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		close(begun)
		<-r.Context().Done()
	})})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	go func() {
		if response, err := http.Get("http://" + s.Addr()); err == nil {
			response.Body.Close()
		}
	}()
	<-begun
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("Run: %v", err)
	}
}

func TestClose(t *testing.T) {
	s, err := New(Config{Listen: "127.0.0.1:0", Handler: http.NotFoundHandler()})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := New(Config{Listen: s.Addr()}); err == nil || !strings.Contains(err.Error(), s.Addr()) {
		t.Errorf("a port in use: %v", err)
	}
	ended := make(chan error, 1)
	go func() { ended <- s.Run(context.Background()) }()
	response, err := http.Get("http://" + s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if err := s.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	if err := <-ended; err != nil {
		t.Errorf("Run after Close: %v", err)
	}
	unused, err := New(Config{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	if err := unused.Close(); err != nil {
		t.Errorf("Close before Run: %v", err)
	}
	if again, err := New(Config{Listen: unused.Addr()}); err != nil {
		t.Errorf("the port is still in use: %v", err)
	} else {
		again.Close()
	}
}

func TestHealth(t *testing.T) {
	var log bytes.Buffer
	var broken error
	h := NewHealth(slog.New(slog.NewTextHandler(&log, nil)),
		Check{Name: "nats", Run: func(context.Context) error { return nil }},
		Check{Name: "postgres", Run: func(context.Context) error { return broken }})
	ask := func() (int, string) {
		h.checked = time.Time{} // as if long ago
		w := httptest.NewRecorder()
		h.Ready(w, httptest.NewRequest("GET", "/readyz", nil))
		return w.Code, w.Body.String()
	}
	if code, body := ask(); code != 200 || body != `{"status":"ready","checks":[{"name":"nats","status":"ok"},{"name":"postgres","status":"ok"}]}`+"\n" {
		t.Errorf("%d %s", code, body)
	}
	broken = errors.New("password authentication failed for canary")
	if code, body := ask(); code != 503 || body != `{"status":"not-ready","checks":[{"name":"nats","status":"ok"},{"name":"postgres","status":"failing"}]}`+"\n" {
		t.Errorf("%d %s", code, body)
	}
	if !strings.Contains(log.String(), "postgres") || !strings.Contains(log.String(), "canary") {
		t.Errorf("the log doesn't say why: %s", log.String())
	}
	w := httptest.NewRecorder()
	h.Live(w, httptest.NewRequest("GET", "/healthz", nil))
	if w.Code != 200 || w.Body.String() != "{\"status\":\"live\"}\n" {
		t.Errorf("live: %d %s", w.Code, w.Body)
	}
}

// Anyone may ask, so asking must not be a way to load the database.
func TestReadinessIsNotAskedTooOften(t *testing.T) {
	runs := 0
	h := NewHealth(nil, Check{Name: "counted", Run: func(context.Context) error { runs++; return nil }})
	for range 100 {
		h.Ready(httptest.NewRecorder(), httptest.NewRequest("GET", "/readyz", nil))
	}
	if runs > 3 {
		t.Errorf("100 questions ran the check %d times", runs)
	}
}
