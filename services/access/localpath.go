package access

import (
	"net/url"
	"strings"
)

const maxLocalPath = 1500 // it goes into a cookie

// LocalPath gives to if it is a path of this service, with its query, and "/"
// otherwise: nobody is led to another site, nor back into signing in or out.
func LocalPath(to string) string {
	// Browsers take "\" for "/", skip control characters, and read "//host" as
	// another host (WHATWG URL, 4.4).
	if len(to) > maxLocalPath || !strings.HasPrefix(to, "/") || strings.ContainsRune(to, '\\') ||
		strings.ContainsFunc(to, func(c rune) bool { return c <= ' ' || c == 0x7f }) {
		return "/"
	}
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.ContainsRune(u.Path, '\\') {
		return "/"
	}
	if u.Path == "/sign-in" || u.Path == "/sign-out" || strings.HasPrefix(u.Path, "/sign-in/") {
		return "/"
	}
	return u.RequestURI()
}
