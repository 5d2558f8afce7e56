package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
)

// Text is compressed for whoever takes it, short answers and streams are not, and an
// answer that broke off doesn't look whole.
func TestCompress(t *testing.T) {
	compress, err := Compress("/stream")
	if err != nil {
		t.Fatal(err)
	}
	long := strings.Repeat("The same words again. ", 400)
	router := NewRouter()
	router.Use(compress)
	write := func(mediaType, body string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", mediaType)
			w.Header().Set("ETag", `W/"7"`)
			_, _ = io.WriteString(w, body)
		}
	}
	router.HandleFunc("/page", write("text/html; charset=utf-8", long)).Methods(http.MethodGet)
	router.HandleFunc("/json", write("application/problem+json", long)).Methods(http.MethodGet)
	router.HandleFunc("/short", write("text/html; charset=utf-8", "short")).Methods(http.MethodGet)
	router.HandleFunc("/file", write("application/vnd.apache.parquet", long)).Methods(http.MethodGet)
	router.HandleFunc("/events", write(ContentTypeEventStream, long)).Methods(http.MethodGet)
	router.HandleFunc("/broken", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		_, _ = io.WriteString(w, long)
		panic("half an answer")
	}).Methods(http.MethodGet)
	router.HandleFunc("/stream", func(w http.ResponseWriter, r *http.Request) {
		s, err := NewEventStream(w, r, 0)
		if err == nil {
			err = s.Send("1", "changed", long)
		}
		if err != nil {
			t.Error(err)
		}
	}).Methods(http.MethodGet)
	server := httptest.NewServer(Handler(router, Options{}))
	defer server.Close()
	client := &http.Client{Transport: &http.Transport{DisableCompression: true}}
	get := func(path, takes string) (*http.Response, error) {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept-Encoding", takes)
		answer, err := client.Do(r)
		if err != nil {
			return nil, err
		}
		t.Cleanup(func() { _ = answer.Body.Close() })
		return answer, nil
	}
	for path, want := range map[string]string{"/page": "gzip", "/json": "gzip", "/short": "", "/file": "", "/events": "", "/stream": ""} {
		answer, err := get(path, "gzip")
		if err != nil {
			t.Fatal(err)
		}
		if got := answer.Header.Get("Content-Encoding"); got != want {
			t.Errorf("%s is coded %q, want %q", path, got, want)
			continue
		}
		if want == "" {
			continue
		}
		if !strings.Contains(answer.Header.Get("Vary"), "Accept-Encoding") || answer.Header.Get("ETag") != `W/"7"` {
			t.Errorf("%s: %v", path, answer.Header)
		}
		z, err := gzip.NewReader(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		if body, err := io.ReadAll(z); err != nil || string(body) != long {
			t.Errorf("%s compressed is another answer: %v", path, err)
		}
	}
	if plain, err := get("/page", "identity"); err != nil || plain.Header.Get("Content-Encoding") != "" {
		t.Errorf("whoever takes no coding gets one: %v", err)
	}
	if broken, err := get("/broken", "gzip"); err == nil && broken.StatusCode == http.StatusOK {
		z, err := gzip.NewReader(broken.Body)
		if err == nil {
			_, err = io.Copy(io.Discard, z)
		}
		if err == nil {
			if _, err = io.Copy(io.Discard, broken.Body); err == nil {
				t.Error("an answer that broke off looks whole")
			}
		}
	}
}
