package portal

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/gorilla/mux"
	"github.com/klauspost/compress/gzip"
)

// A file that is asked for by its version is kept for a year; by another version,
// or none, the browser has to ask. Compressed and plain have tags of their own.
func TestAssets(t *testing.T) {
	router := mux.NewRouter()
	router.HandleFunc("/assets/{file}", asset)
	get := func(path string, headers ...string) *http.Response {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		for i := 0; i < len(headers); i += 2 {
			r.Header.Set(headers[i], headers[i+1])
		}
		w := httptest.NewRecorder()
		router.ServeHTTP(w, r)
		return w.Result()
	}
	for name, mediaType := range map[string]string{"style.css": "text/css; charset=utf-8", "charts.js": "text/javascript; charset=utf-8", "page.js": "text/javascript; charset=utf-8"} {
		plain := get(assetHref(name))
		body, err := io.ReadAll(plain.Body)
		if err != nil || plain.StatusCode != http.StatusOK || !bytes.Equal(body, files()[name].body) {
			t.Fatalf("%s: %s, %d bytes, %v", name, plain.Status, len(body), err)
		}
		if got := plain.Header.Get("Content-Type"); got != mediaType {
			t.Errorf("%s is %s", name, got)
		}
		if got := plain.Header.Get("Cache-Control"); got != "public, max-age=31536000, immutable" {
			t.Errorf("%s by its version: Cache-Control %q", name, got)
		}
		zipped := get(assetHref(name), "Accept-Encoding", "br, gzip;q=0.8")
		if zipped.Header.Get("Content-Encoding") != "gzip" || zipped.Header.Get("Vary") != "Accept-Encoding" {
			t.Errorf("%s compressed: %v", name, zipped.Header)
		}
		z, err := gzip.NewReader(zipped.Body)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := io.ReadAll(z); err != nil || !bytes.Equal(back, body) {
			t.Errorf("%s compressed is another file: %v", name, err)
		}
		if zipped.Header.Get("ETag") == plain.Header.Get("ETag") {
			t.Errorf("%s has one tag for two bodies", name)
		}
		if again := get("/assets/"+name, "If-None-Match", plain.Header.Get("ETag")); again.StatusCode != http.StatusNotModified {
			t.Errorf("%s again: %s", name, again.Status)
		}
		for _, other := range []string{"", "?v=0123456789abcdef"} {
			if got := get("/assets/" + name + other).Header.Get("Cache-Control"); got != "public, no-cache" {
				t.Errorf("%s%s: Cache-Control %q", name, other, got)
			}
		}
	}
	for _, refused := range []string{"gzip;q=0", "gzip; q=0.0", "br", ""} {
		if got := get(assetHref("page.js"), "Accept-Encoding", refused).Header.Get("Content-Encoding"); got != "" {
			t.Errorf("whoever takes %q gets %s", refused, got)
		}
	}
	if missing := get("/assets/nothing.js"); missing.StatusCode != http.StatusNotFound || !strings.Contains(missing.Header.Get("Content-Type"), "json") {
		t.Errorf("a file that isn't there: %s", missing.Status)
	}
}
