package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
)

// serve starts a server with a few routes that behave and misbehave.
func serve(t *testing.T, log io.Writer, reg *prometheus.Registry) *httptest.Server {
	t.Helper()
	router := NewRouter()
	router.HandleFunc("/v1/cases/{case}", func(w http.ResponseWriter, r *http.Request) {
		WriteJSON(w, http.StatusOK, map[string]string{"ok": "yes"})
	}).Methods(http.MethodGet)
	router.HandleFunc("/v1/cases/{case}", func(w http.ResponseWriter, r *http.Request) {
		var v struct {
			N int `json:"n"`
		}
		if err := ReadJSON(r, &v); err != nil {
			WriteError(w, r, err)
			return
		}
		WriteJSON(w, http.StatusOK, v)
	}).Methods(http.MethodPost)
	router.HandleFunc("/fails/{how}", func(w http.ResponseWriter, r *http.Request) {
		switch how := strings.TrimPrefix(r.URL.Path, "/fails/"); how {
		case "panic":
			panic("patient canary-panic")
		case "late":
			fmt.Fprint(w, "half an ans")
			panic("patient canary-panic")
		case "plain":
			WriteError(w, r, errors.New("read row canary-error of case 7"))
		default:
			WriteError(w, r, fmt.Errorf("read: %w", &Error{Code: Code(how), Message: "what to do"}))
		}
	}).Methods(http.MethodGet)
	router.HandleFunc("/sink", func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.Copy(io.Discard, r.Body); err != nil {
			WriteError(w, r, BodyError(err))
		}
	}).Methods(http.MethodPost)
	metrics, err := NewMetrics(reg)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(Handler(router, Options{Logger: slog.New(slog.NewJSONHandler(log, nil)), Metrics: metrics}))
	t.Cleanup(s.Close)
	return s
}

func do(t *testing.T, method, url, contentType, body string) (*http.Response, string) {
	t.Helper()
	request, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if contentType != "" {
		request.Header.Set("Content-Type", contentType)
	}
	request.Header.Set("Authorization", "Bearer canary-token")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response, string(text)
}

func TestProblems(t *testing.T) {
	s := serve(t, io.Discard, prometheus.NewRegistry())
	for _, c := range []struct {
		method, path, contentType, body string
		status                          int
		kind                            string
		header                          [2]string
	}{
		{"GET", "/fails/invalid", "", "", 400, "invalid", [2]string{}},
		{"GET", "/fails/unauthenticated", "", "", 401, "unauthenticated", [2]string{"Www-Authenticate", `Bearer realm="lensledger"`}},
		{"GET", "/fails/forbidden", "", "", 403, "forbidden", [2]string{}},
		{"GET", "/fails/not-found", "", "", 404, "not-found", [2]string{}},
		{"GET", "/fails/too-large", "", "", 413, "too-large", [2]string{}},
		{"GET", "/fails/unsupported", "", "", 415, "unsupported", [2]string{}},
		{"GET", "/fails/refused", "", "", 422, "refused", [2]string{}},
		{"GET", "/fails/unavailable", "", "", 503, "unavailable", [2]string{"Retry-After", "5"}},
		{"GET", "/fails/plain", "", "", 500, "internal", [2]string{}},
		{"GET", "/fails/panic", "", "", 500, "internal", [2]string{}},
		{"GET", "/nowhere", "", "", 404, "not-found", [2]string{}},
		{"DELETE", "/v1/cases/C-1", "", "", 405, "method-not-allowed", [2]string{"Allow", "GET, HEAD, POST"}},
		{"POST", "/v1/cases/C-1", "text/plain", "{}", 415, "unsupported", [2]string{}},
		{"POST", "/v1/cases/C-1", "application/json", "{", 400, "invalid", [2]string{}},
		{"POST", "/v1/cases/C-1", "application/json", `{"n":1} {"n":2}`, 400, "invalid", [2]string{}},
		{"POST", "/v1/cases/C-1", "application/json", `{"m":1}`, 400, "invalid", [2]string{}},
		{"POST", "/v1/cases/C-1", "application/json", `{"n":"one"}`, 400, "invalid", [2]string{}},
		{"POST", "/v1/cases/C-1", "application/json", `{"n":1,"x":"` + strings.Repeat("a", 64<<10) + `"}`, 413, "too-large", [2]string{}},
		{"POST", "/sink", "", strings.Repeat("a", MaxBodyBytes+1), 413, "too-large", [2]string{}},
	} {
		t.Run(c.method+c.path+c.kind, func(t *testing.T) {
			response, body := do(t, c.method, s.URL+c.path, c.contentType, c.body)
			var p Problem
			if err := json.Unmarshal([]byte(body), &p); err != nil {
				t.Fatalf("body %q: %v", body, err)
			}
			if response.StatusCode != c.status || p.Status != c.status || p.Type != "urn:lensledger:problem:"+c.kind {
				t.Errorf("got %d %+v, want %d %s", response.StatusCode, p, c.status, c.kind)
			}
			if got := response.Header.Get("Content-Type"); got != ContentTypeProblem {
				t.Errorf("content type %q", got)
			}
			if p.Title == "" || p.Detail == "" || p.Instance != "urn:lensledger:request:"+response.Header.Get("X-Request-Id") {
				t.Errorf("incomplete: %+v", p)
			}
			if c.header[0] != "" && response.Header.Get(c.header[0]) != c.header[1] {
				t.Errorf("%s: %q", c.header[0], response.Header.Get(c.header[0]))
			}
			if strings.Contains(body, "canary") {
				t.Errorf("the answer quotes what only the log may know: %s", body)
			}
		})
	}
	if response, _ := do(t, "POST", s.URL+"/sink", "", strings.Repeat("a", MaxBodyBytes)); response.StatusCode != 200 {
		t.Errorf("a body at the bound: %d", response.StatusCode)
	}
	if response, body := do(t, "POST", s.URL+"/v1/cases/C-1", "application/json; charset=utf-8", `{"n":3}`); response.StatusCode != 200 || body != "{\"n\":3}\n" {
		t.Errorf("good JSON: %d %s", response.StatusCode, body)
	}
}

func TestCodesHaveAKind(t *testing.T) {
	if len(kinds) > 8 {
		t.Errorf("%d codes, at most 8", len(kinds))
	}
	if Status(errors.New("other")) != 500 || Status(fmt.Errorf("wrapped: %w", NotFound())) != 404 {
		t.Error("Status doesn't unwrap")
	}
}

// A panic behind the first bytes must not leave an answer that looks whole.
func TestPanicInTheMiddleCutsTheConnection(t *testing.T) {
	var log bytes.Buffer
	s := serve(t, &log, prometheus.NewRegistry())
	response, err := http.Get(s.URL + "/fails/late")
	if err == nil {
		defer response.Body.Close()
		_, err = io.ReadAll(response.Body)
	}
	if err == nil {
		t.Error("the client can't tell that the answer is cut")
	}
	s.Close()
	if strings.Contains(log.String(), "canary") || !strings.Contains(log.String(), "handler panicked") {
		t.Errorf("log: %s", log.String())
	}
}

func TestHeadersOfEveryAnswer(t *testing.T) {
	s := serve(t, io.Discard, prometheus.NewRegistry())
	for _, path := range []string{"/v1/cases/C-1", "/nowhere", "/fails/panic"} {
		response, _ := do(t, "GET", s.URL+path, "", "")
		for name, want := range map[string]string{
			"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
			"X-Content-Type-Options":  "nosniff", "Referrer-Policy": "no-referrer", "Cache-Control": "no-store",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		} {
			if got := response.Header.Get(name); got != want {
				t.Errorf("%s: %s is %q", path, name, got)
			}
		}
	}
	get, body := do(t, "GET", s.URL+"/v1/cases/C-1", "", "")
	head, none := do(t, "HEAD", s.URL+"/v1/cases/C-1", "", "")
	if head.StatusCode != 200 || none != "" || head.ContentLength != int64(len(body)) || get.Header.Get("X-Request-Id") == head.Header.Get("X-Request-Id") {
		t.Errorf("HEAD: %d %q %d", head.StatusCode, none, head.ContentLength)
	}
}

func TestLogAndMetricsNameNobody(t *testing.T) {
	var log bytes.Buffer
	reg := prometheus.NewRegistry()
	s := serve(t, &log, reg)
	do(t, "GET", s.URL+"/v1/cases/canary-case?surgeon=canary-query", "", "")
	do(t, "POST", s.URL+"/v1/cases/canary-case", "application/json", `{"canary-body":1}`)
	do(t, "GET", s.URL+"/canary-path", "", "")
	do(t, "CANARY-METHOD", s.URL+"/v1/cases/C-1", "", "")
	s.Close()
	if strings.Contains(strings.ToLower(log.String()), "canary") {
		t.Errorf("log: %s", log.String())
	}
	if got := strings.Count(log.String(), `"route":"/v1/cases/{case}"`); got != 2 {
		t.Errorf("%d lines with the route's template:\n%s", got, log.String())
	}
	const want = `
# HELP lensledger_http_requests_total HTTP requests answered, by route template, method and status.
# TYPE lensledger_http_requests_total counter
lensledger_http_requests_total{code="200",method="GET",route="/v1/cases/{case}"} 1
lensledger_http_requests_total{code="400",method="POST",route="/v1/cases/{case}"} 1
lensledger_http_requests_total{code="404",method="GET",route="unmatched"} 1
lensledger_http_requests_total{code="405",method="other",route="unmatched"} 1
`
	if err := testutil.GatherAndCompare(reg, strings.NewReader(want), "lensledger_http_requests_total"); err != nil {
		t.Error(err)
	}
	problems, err := testutil.GatherAndLint(reg)
	if err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}
	if n := testutil.CollectAndCount(reg, "lensledger_http_request_seconds"); n != 4 {
		t.Errorf("%d series of seconds", n)
	}
}
