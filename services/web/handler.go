package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime"
	"runtime/debug"
	"time"
)

// MaxBodyBytes bounds the body of any request: what a publication may hold.
const MaxBodyBytes = 10 << 20

// Options are what Handler needs besides the router.
type Options struct {
	Logger  *slog.Logger // nil is silent
	Metrics *Metrics     // nil counts nothing
}

// Handler puts around a router of NewRouter what every request goes through,
// those without a route included: an id, security headers, the bound of the
// body, the access log, metrics, and an answer even when a handler panics.
func Handler(router http.Handler, o Options) http.Handler {
	log := o.Logger
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		begun := time.Now()
		s := &state{id: rand.Text(), log: log}
		method := r.Method
		r = r.WithContext(context.WithValue(r.Context(), stateKey{}, s))
		if method == http.MethodHead {
			// The server leaves the body out; the routes need not know.
			r.Method, s.head = http.MethodGet, true
		}
		setHeaders(w.Header(), s.id)
		r.Body = http.MaxBytesReader(w, r.Body, MaxBodyBytes)
		rec := &recorder{ResponseWriter: w}
		defer func() {
			if cause := recover(); cause != nil {
				answerPanic(rec, r, cause)
			}
			status := rec.statusCode()
			took := time.Since(begun)
			o.Metrics.observe(s.template(), method, status, took)
			logAccess(r.Context(), s, method, status, rec.bytes, took)
			if rec.aborted {
				panic(http.ErrAbortHandler)
			}
		}()
		router.ServeHTTP(rec, r)
	})
}

// contentSecurityPolicy lets a page load its own files and nothing else.
const contentSecurityPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; " +
	"connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

func setHeaders(h http.Header, id string) {
	h.Set("X-Request-Id", id)
	h.Set("Content-Security-Policy", contentSecurityPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	// Answers hold clinical rows; a handler of plain files may say otherwise.
	h.Set("Cache-Control", "no-store")
}

// logAccess writes the route's template only: paths, queries, bodies, tokens and
// addresses name people.
func logAccess(ctx context.Context, s *state, method string, status int, bytes int64, took time.Duration) {
	level := slog.LevelInfo
	if status >= http.StatusInternalServerError {
		level = slog.LevelError
	}
	s.log.LogAttrs(ctx, level, "request",
		slog.String("request_id", s.id), slog.String("method", knownMethod(method)), slog.String("route", s.template()),
		slog.Int("status", status), slog.Int64("response_bytes", bytes), slog.Float64("duration_seconds", took.Seconds()))
}

// answerPanic logs where a handler panicked and answers, or cuts the connection
// if an answer has begun: half an answer must not look whole.
func answerPanic(rec *recorder, r *http.Request, cause any) {
	s := stateOf(r.Context())
	err, _ := cause.(error)
	aborted := errors.Is(err, http.ErrAbortHandler)
	if !aborted {
		// The text of a panic may quote data, unless it is the runtime's own.
		text := fmt.Sprintf("%T", cause)
		if e := runtime.Error(nil); errors.As(err, &e) {
			text = e.Error()
		}
		s.log.LogAttrs(r.Context(), slog.LevelError, "handler panicked", slog.String("request_id", s.id),
			slog.String("route", s.template()), slog.String("cause", text), slog.String("stack", string(debug.Stack())))
	}
	if rec.status != 0 || aborted {
		rec.aborted = true
		return
	}
	WriteError(rec, r, fmt.Errorf("panic of type %T", cause))
}

// recorder remembers what was answered.
type recorder struct {
	http.ResponseWriter
	status  int // 0 until the answer begins
	bytes   int64
	aborted bool
}

func (rec *recorder) WriteHeader(status int) {
	if rec.status == 0 && status >= http.StatusOK {
		rec.status = status
	}
	rec.ResponseWriter.WriteHeader(status)
}

func (rec *recorder) Write(p []byte) (int, error) {
	if rec.status == 0 {
		rec.status = http.StatusOK
	}
	n, err := rec.ResponseWriter.Write(p)
	rec.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach the connection.
func (rec *recorder) Unwrap() http.ResponseWriter { return rec.ResponseWriter }

func (rec *recorder) statusCode() int {
	if rec.status == 0 && !rec.aborted {
		return http.StatusOK // what net/http sends for an empty answer
	}
	if rec.aborted {
		return http.StatusInternalServerError
	}
	return rec.status
}

// AllowLocalMedia lets the page whose header it is play a file that the reader
// opened in the browser. It opens no address: nothing can be fetched from, or sent
// to, anywhere else by it.
func AllowLocalMedia(h http.Header) {
	h.Set("Content-Security-Policy", contentSecurityPolicy+"; media-src blob:")
}
