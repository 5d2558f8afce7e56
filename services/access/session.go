package access

import "net/http"

// SessionCookie is the cookie in which a page's token comes.
const SessionCookie = "lensledger_session"

// SetSession signs a browser in with a token that Verify accepts. secure is for
// a service that is reached over TLS. The cookie ends with the browser's session,
// the token at its own time.
func SetSession(w http.ResponseWriter, token string, secure bool) {
	http.SetCookie(w, session(token, secure))
}

// ClearSession signs a browser out.
func ClearSession(w http.ResponseWriter, secure bool) {
	c := session("", secure)
	c.MaxAge = -1
	http.SetCookie(w, c)
}

func session(value string, secure bool) *http.Cookie {
	return &http.Cookie{Name: SessionCookie, Value: value, Path: "/", HttpOnly: true, Secure: secure, SameSite: http.SameSiteStrictMode}
}

// sessionToken gives the token of the one session cookie. With two of them, one
// may have been set by a neighbouring host.
func sessionToken(r *http.Request) (string, bool) {
	cookies := r.CookiesNamed(SessionCookie)
	if len(cookies) != 1 || cookies[0].Value == "" {
		return "", false
	}
	return cookies[0].Value, true
}
