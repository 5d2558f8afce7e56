package access

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gorilla/mux"

	"lensledger/services/web"
)

// Config is what Require needs.
type Config struct {
	Tokens   *Verifier
	Sessions *Sessions    // nil: nobody is signed in by a cookie
	Logger   *slog.Logger // nil is silent

	// OperatorToken opens the routes of ScopeOperator to whoever sends it as
	// bearer token. Empty opens them to requests from this machine only, and
	// not to those that a proxy on this machine passes on.
	OperatorToken string

	// PublicURL is the address of the pages, scheme and host: forms come from
	// there even if a proxy passes them on under another name. Empty is unknown.
	PublicURL string

	// RefusePage answers in place of a page that is refused, with the status
	// that web.Status gives of err, which is always a *web.Error. FromContext
	// tells who asked, where that is known. Nil answers with a problem, as every
	// other route does.
	RefusePage func(w http.ResponseWriter, r *http.Request, err error)
}

// Require checks every route of the router against Matrix. It belongs on the
// router of web.NewRouter, before any other middleware of the router.
func Require(cfg Config) mux.MiddlewareFunc {
	g := guard{Config: cfg, rows: rowsByRoute(), origins: http.NewCrossOriginProtection()}
	if g.Logger == nil {
		g.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.PublicURL != "" {
		if err := g.origins.AddTrustedOrigin(cfg.PublicURL); err != nil {
			g.Logger.Error("public address not taken", "error", err.Error())
		}
	}
	return g.middleware
}

type guard struct {
	Config
	rows    map[key]Row
	origins *http.CrossOriginProtection
}

func (g *guard) middleware(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		row, ok := g.rows[key{r.Method, web.RouteTemplate(r)}]
		if !ok {
			g.Logger.ErrorContext(r.Context(), "route without a row in the access matrix", "method", r.Method, "route", web.RouteTemplate(r))
			web.WriteError(w, r, web.NotFound())
			return
		}
		// No page of another site may act with a visitor's cookie.
		if !isSafe(r.Method) {
			if err := g.origins.Check(r); err != nil {
				g.refuse(w, r, row, &web.Error{Code: web.CodeForbidden, Message: "The request comes from a page of another site. Use a page of this one."})
				return
			}
		}
		if row.Scope == ScopeOperator {
			if !g.isOperator(r) {
				web.WriteError(w, r, unauthenticated())
				return
			}
			next.ServeHTTP(w, r)
			return
		}
		if row.Public && !row.Page {
			next.ServeHTTP(w, r)
			return
		}
		actor, ends, err := g.actor(r, row)
		switch {
		case err == nil:
			ctx := WithActor(r.Context(), actor)
			if !ends.IsZero() {
				// What is sent for as long as somebody listens ends with the session.
				var cancel context.CancelFunc
				ctx, cancel = context.WithDeadline(ctx, ends)
				defer cancel()
			}
			r = r.WithContext(ctx)
		case row.Public && (!isSafe(r.Method) || web.Status(err) == http.StatusUnauthorized):
			// A page that also greets strangers; and whoever signs in or out may do
			// so whatever became of the last session.
		case row.Page && isSafe(r.Method) && web.Status(err) == http.StatusUnauthorized:
			http.Redirect(w, r, SignInAddress(r.URL.RequestURI()), http.StatusSeeOther)
			return
		default:
			g.refuse(w, r, row, err)
			return
		}
		if !row.Public {
			if !row.Allows(actor.Role) {
				g.refuse(w, r, row, &web.Error{Code: web.CodeForbidden, Message: "Your role, " + string(actor.Role) + ", doesn't use this address."})
				return
			}
			if !row.reaches(actor, mux.Vars(r)) {
				g.refuse(w, r, row, web.NotFound())
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

// refuse answers a request that isn't let through: a person with a page, where
// there is one for it.
func (g *guard) refuse(w http.ResponseWriter, r *http.Request, row Row, err error) {
	if row.Page && g.RefusePage != nil {
		g.RefusePage(w, r, err)
		return
	}
	web.WriteError(w, r, err)
}

// unauthenticated is the one answer to a missing token and to every bad one.
func unauthenticated() *web.Error {
	return &web.Error{Code: web.CodeUnauthenticated, Message: "Send a valid token of a configured issuer as bearer token. Tokens expire: get a new one."}
}

// SignInAddress is where somebody signs in who wants to go to a path of this service.
func SignInAddress(to string) string {
	if to = LocalPath(to); to == "/" {
		return "/sign-in"
	}
	return "/sign-in?to=" + url.QueryEscape(to)
}

// actor gives who asks, and when the session ends, if it is by a session. Its error
// is a *web.Error.
func (g *guard) actor(r *http.Request, row Row) (Actor, time.Time, error) {
	token, ok := bearer(r)
	if !ok && (row.Page || row.Cookie) && len(r.Header.Values("Authorization")) == 0 && g.Sessions != nil {
		session, err := g.Sessions.Of(r)
		return session.Actor, session.Ends, err
	}
	if !ok {
		return Actor{}, time.Time{}, unauthenticated()
	}
	actor, err := g.Tokens.Verify(r.Context(), token)
	if err == nil {
		return actor, time.Time{}, nil
	}
	// The reasons are words of ours: nothing of the token goes to the log.
	g.Logger.InfoContext(r.Context(), "token not accepted", "request_id", web.RequestID(r.Context()), "reason", err.Error())
	if outage := (*outageError)(nil); errors.As(err, &outage) {
		return Actor{}, time.Time{}, &web.Error{Code: web.CodeUnavailable, Message: "The keys of your token's issuer can't be fetched for the moment. Try again."}
	}
	return Actor{}, time.Time{}, unauthenticated()
}

// bearer gives the token of the one Authorization header.
func bearer(r *http.Request) (string, bool) {
	headers := r.Header.Values("Authorization")
	if len(headers) != 1 {
		return "", false
	}
	scheme, token, ok := strings.Cut(headers[0], " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") || token == "" {
		return "", false
	}
	return token, true
}

func (g *guard) isOperator(r *http.Request) bool {
	if g.OperatorToken != "" {
		token, ok := bearer(r)
		// Hashed first, so that the comparison tells nothing of the length.
		got, want := sha256.Sum256([]byte(token)), sha256.Sum256([]byte(g.OperatorToken))
		return ok && subtle.ConstantTimeCompare(got[:], want[:]) == 1
	}
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Real-Ip", "Via"} {
		if r.Header.Get(name) != "" {
			return false
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	return err == nil && net.ParseIP(host).IsLoopback()
}
