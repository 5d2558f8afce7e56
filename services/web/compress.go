package web

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gorilla/mux"
	"github.com/klauspost/compress/gzhttp"
)

// compressFrom is the least answer worth compressing, in bytes.
const compressFrom = 1024

// jitter is up to how many bytes an answer is longer by chance.
const jitter = 32

// Compress compresses answers that are text, apart from those of the routes given,
// which are streams: they have to leave at once. It belongs on a router of
// NewRouter.
//
// An answer's length tells something of its content to whoever can see the length
// and choose a part of the content, again and again (the BREACH attack). No answer
// holds a secret of the session, another site can't ask with a visitor's cookie
// (SameSite=Strict), and the length varies by chance.
func Compress(streams ...string) (mux.MiddlewareFunc, error) {
	wrap, err := gzhttp.NewWrapper(gzhttp.MinSize(compressFrom), gzhttp.EnableZstd(false), gzhttp.RandomJitter(jitter, 0, false),
		gzhttp.ContentTypeFilter(isText))
	if err != nil {
		return nil, err
	}
	return func(next http.Handler) http.Handler {
		compressed := wrap(next)
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if slices.Contains(streams, RouteTemplate(r)) {
				next.ServeHTTP(w, r)
				return
			}
			compressed.ServeHTTP(w, r)
		})
	}, nil
}

// isText says which answers are text; an event stream is never compressed.
func isText(contentType string) bool {
	kind, _, _ := strings.Cut(contentType, ";")
	switch kind = strings.TrimSpace(kind); {
	case kind == ContentTypeEventStream:
		return false
	case strings.HasPrefix(kind, "text/"):
		return true
	}
	return strings.HasSuffix(kind, "json") || strings.HasSuffix(kind, "yaml")
}

// TakesGzip says whether a client takes an answer compressed by gzip (RFC 9110,
// 12.5.3).
func TakesGzip(r *http.Request) bool {
	for _, part := range strings.Split(strings.Join(r.Header.Values("Accept-Encoding"), ","), ",") {
		coding, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(coding), "gzip") {
			weight = strings.ReplaceAll(weight, " ", "")
			return !(strings.HasPrefix(weight, "q=0") && strings.Trim(weight[3:], ".0") == "")
		}
	}
	return false
}
