package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"lensledger/services/web"
)

// AnswerPath is where the sign-on service leads back to.
const AnswerPath = "/sign-in/answer"

// SignOnConfig says which OpenID provider signs people in.
type SignOnConfig struct {
	Issuer       string   // as its discovery document and its tokens have it
	ClientID     string   // as registered there
	ClientSecret string   // empty: a public client, by PKCE alone
	Scopes       []string // beside openid, where the provider gives the claims for one
	PublicURL    string   // address of these pages, https://host[:port]

	Logger *slog.Logger     // nil is silent
	Now    func() time.Time // nil is time.Now
}

// SignOn signs people in at an OpenID provider: the authorization code flow of
// OpenID Connect Core 1.0, 3.1, with PKCE (RFC 7636). The provider is asked for its
// addresses when somebody first signs in, so the service starts without it.
type SignOn struct {
	cfg    SignOnConfig
	secure bool
	client *http.Client

	mu     sync.Mutex
	found  *provider
	failed error     // why it wasn't found
	asked  time.Time // and when
}

// askAgain is how long a provider that didn't answer is left alone: everybody who
// wants to sign in would wait for it in turn.
const askAgain = 5 * time.Second

// provider is what the discovery document says.
type provider struct {
	oauth      oauth2.Config
	tokens     *Verifier
	endSession string // empty: it can't be told that somebody signs out
}

// NewSignOn checks the configuration, without asking the provider.
func NewSignOn(cfg SignOnConfig) (*SignOn, error) {
	if cfg.Issuer == "" || cfg.ClientID == "" || cfg.PublicURL == "" {
		return nil, errors.New("sign-on: an issuer, a client id and the public address of these pages belong together")
	}
	for _, address := range []string{cfg.Issuer, cfg.PublicURL} {
		if err := checkAddress(address); err != nil {
			return nil, fmt.Errorf("sign-on: %w", err)
		}
	}
	public, err := url.Parse(cfg.PublicURL)
	if err != nil || strings.Trim(public.Path, "/") != "" || public.RawQuery != "" || public.Fragment != "" || public.User != nil {
		return nil, fmt.Errorf("sign-on: public address %s: allowed is https://host[:port]", cfg.PublicURL)
	}
	cfg.PublicURL = public.Scheme + "://" + public.Host
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &SignOn{cfg: cfg, secure: public.Scheme == "https", client: &http.Client{
		Timeout:       fetchTimeout,
		Transport:     bounded{http.DefaultTransport},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// bounded cuts off what a provider would send without end.
type bounded struct{ next http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	response, err := b.next.RoundTrip(r)
	if err == nil {
		response.Body = http.MaxBytesReader(nil, response.Body, maxKeySetBytes)
	}
	return response, err
}

// Check asks the provider for its addresses, for whoever wants to know early.
func (s *SignOn) Check(ctx context.Context) error {
	_, err := s.provider(ctx)
	return err
}

// provider gives the provider's addresses, which are asked for once.
func (s *SignOn) provider(ctx context.Context) (*provider, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.found != nil {
		return s.found, nil
	}
	if s.failed != nil && time.Since(s.asked) < askAgain {
		return nil, s.failed
	}
	s.found, s.failed = s.discover(ctx)
	s.asked = time.Now()
	return s.found, s.failed
}

func (s *SignOn) discover(ctx context.Context) (*provider, error) {
	discovered, err := oidc.NewProvider(oidc.ClientContext(ctx, s.client), s.cfg.Issuer)
	if err != nil {
		return nil, fmt.Errorf("sign-on: ask %s for its configuration: %w", s.cfg.Issuer, err)
	}
	// OpenID Connect Discovery 1.0, 3; the last one is of RP-Initiated Logout 1.0, 2.1.
	var document struct {
		KeySet     string   `json:"jwks_uri"`
		Methods    []string `json:"token_endpoint_auth_methods_supported"`
		EndSession string   `json:"end_session_endpoint"`
	}
	if err := discovered.Claims(&document); err != nil {
		return nil, fmt.Errorf("sign-on: configuration of %s: %w", s.cfg.Issuer, err)
	}
	endpoint := discovered.Endpoint()
	for _, address := range []string{endpoint.AuthURL, endpoint.TokenURL, document.KeySet} {
		if err := checkAddress(address); err != nil {
			return nil, fmt.Errorf("sign-on: configuration of %s: %w", s.cfg.Issuer, err)
		}
	}
	if document.EndSession != "" && checkAddress(document.EndSession) != nil {
		document.EndSession = ""
	}
	endpoint.AuthStyle = authStyle(s.cfg.ClientSecret, document.Methods)
	tokens, err := newVerifier(context.WithoutCancel(ctx), []Issuer{{URL: s.cfg.Issuer, Audience: s.cfg.ClientID, KeySetURL: document.KeySet, idToken: true}}, s.cfg.Now)
	if err != nil {
		return nil, err
	}
	return &provider{tokens: tokens, endSession: document.EndSession, oauth: oauth2.Config{ClientID: s.cfg.ClientID, ClientSecret: s.cfg.ClientSecret,
		Endpoint: endpoint, RedirectURL: s.cfg.PublicURL + AnswerPath, Scopes: append([]string{oidc.ScopeOpenID}, s.cfg.Scopes...)}}, nil
}

// authStyle says how the client names itself: a public one by client_id alone (RFC
// 6749, 4.1.3), one with a secret by client_secret_basic, which a provider that
// lists nothing takes (Discovery 1.0, 3), else by client_secret_post. The library
// would find out by trying, and a code may be tried once.
func authStyle(secret string, methods []string) oauth2.AuthStyle {
	if secret == "" || len(methods) > 0 && !slices.Contains(methods, "client_secret_basic") {
		return oauth2.AuthStyleInParams
	}
	return oauth2.AuthStyleInHeader
}

// attempt is one sign-in under way. It is kept in a cookie of the browser that began
// it, under a name of its own, so that two tabs don't disturb each other and nobody
// can fill a table here without having signed in.
type attempt struct{ state, nonce, verifier, to string }

const (
	attemptCookie = "lensledger_sign_in_" // and the beginning of its state
	attemptLife   = 10 * time.Minute      // common practice, no source
	maxAttempts   = 5                     // of one browser at a time
)

func (s *SignOn) attemptName(state string) string {
	return cookieName(attemptCookie+state[:8], s.secure)
}

// attemptCookie has no secret of ours: who may read it is the one who signs in. Lax
// lets it come along with the provider's redirect.
func (s *SignOn) attemptCookie(name, value string, age int) *http.Cookie {
	return &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode}
}

// Begin leads the browser to the provider; to is where the person wants to go.
func (s *SignOn) Begin(w http.ResponseWriter, r *http.Request, to string) error {
	p, err := s.provider(r.Context())
	if err != nil {
		s.log(r, err.Error())
		return signOnAway()
	}
	a := attempt{state: rand.Text(), nonce: rand.Text(), verifier: oauth2.GenerateVerifier(), to: LocalPath(to)}
	s.forget(w, r, maxAttempts-1)
	value := strings.Join([]string{a.state, a.nonce, a.verifier, base64.RawURLEncoding.EncodeToString([]byte(a.to))}, ".")
	http.SetCookie(w, s.attemptCookie(s.attemptName(a.state), value, int(attemptLife/time.Second)))
	// response_type, client_id, redirect_uri, scope, state (RFC 6749, 4.1.1), nonce
	// (Core 1.0, 3.1.2.1), code_challenge and code_challenge_method (RFC 7636, 4.3).
	http.Redirect(w, r, p.oauth.AuthCodeURL(a.state, oidc.Nonce(a.nonce), oauth2.S256ChallengeOption(a.verifier)), http.StatusSeeOther)
	return nil
}

// forget takes away all but some of the attempts that the browser still keeps.
func (s *SignOn) forget(w http.ResponseWriter, r *http.Request, keep int) {
	kept := 0
	for _, c := range r.Cookies() {
		if !strings.HasPrefix(c.Name, cookieName(attemptCookie, s.secure)) {
			continue
		}
		if kept++; kept > keep {
			http.SetCookie(w, s.attemptCookie(c.Name, "", -1))
		}
	}
}

// attemptOf gives the attempt of an answer and takes it from the browser: it is for
// one answer.
func (s *SignOn) attemptOf(w http.ResponseWriter, r *http.Request, state string) (attempt, bool) {
	if !randomID.MatchString(state) {
		return attempt{}, false
	}
	name := s.attemptName(state)
	cookies := r.CookiesNamed(name)
	if len(cookies) == 0 {
		return attempt{}, false
	}
	http.SetCookie(w, s.attemptCookie(name, "", -1))
	parts := strings.Split(cookies[0].Value, ".")
	if len(cookies) != 1 || len(parts) != 4 || subtle.ConstantTimeCompare([]byte(parts[0]), []byte(state)) != 1 || parts[1] == "" || parts[2] == "" {
		return attempt{}, false
	}
	to, err := base64.RawURLEncoding.DecodeString(parts[3])
	return attempt{parts[0], parts[1], parts[2], LocalPath(string(to))}, err == nil
}

// Finish reads the provider's answer and gives who signed in, and where they wanted
// to go. Its error is a *web.Error, to be shown to whoever tries.
func (s *SignOn) Finish(w http.ResponseWriter, r *http.Request) (Actor, string, error) {
	query := r.URL.Query()
	for _, name := range []string{"state", "code", "error", "iss"} {
		if len(query[name]) > 1 { // RFC 6749, 3.1
			return Actor{}, "", notBegun()
		}
	}
	a, ok := s.attemptOf(w, r, query.Get("state")) // RFC 6749, 10.12
	if !ok {
		s.log(r, "no attempt of this browser has the state")
		return Actor{}, "", notBegun()
	}
	p, err := s.provider(r.Context())
	if err != nil {
		s.log(r, err.Error())
		return Actor{}, a.to, signOnAway()
	}
	if iss := query.Get("iss"); iss != "" && iss != s.cfg.Issuer { // RFC 9207, 2.4
		s.log(r, "the answer is another issuer's")
		return Actor{}, a.to, notBegun()
	}
	if code := query.Get("error"); code != "" || query.Get("code") == "" {
		return Actor{}, a.to, s.refused(r, code)
	}
	raw, err := s.exchange(r, p, query.Get("code"), a.verifier)
	if err != nil {
		return Actor{}, a.to, err
	}
	actor, err := s.actor(r, p, raw, a.nonce)
	return actor, a.to, err
}

// exchange gives the ID token for a code, which is good once (RFC 6749, 4.1.3; the
// code_verifier is of RFC 7636, 4.5).
func (s *SignOn) exchange(r *http.Request, p *provider, code, verifier string) (string, error) {
	token, err := p.oauth.Exchange(oidc.ClientContext(r.Context(), s.client), code, oauth2.VerifierOption(verifier))
	var refused *oauth2.RetrieveError
	switch {
	case errors.As(err, &refused) && refused.ErrorCode == "invalid_grant": // RFC 6749, 5.2
		s.log(r, "the code isn't taken: used, expired, or of another attempt")
		return "", notBegun()
	case errors.As(err, &refused) && refused.Response != nil && refused.Response.StatusCode < http.StatusInternalServerError:
		s.log(r, fmt.Sprintf("the sign-on service refuses this client with status %d; is it registered with this id, secret and address?", refused.Response.StatusCode))
		return "", signOnAway()
	case err != nil:
		s.log(r, "no token for the code: the sign-on service doesn't answer as it should")
		return "", signOnAway()
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		s.log(r, "the sign-on service gave no id_token")
		return "", signOnAway()
	}
	return raw, nil
}

// actor checks an ID token as Core 1.0, 3.1.3.7 asks and reads the actor out of it.
func (s *SignOn) actor(r *http.Request, p *provider, raw, nonce string) (Actor, error) {
	claims, token, err := p.tokens.check(r.Context(), raw)
	if err != nil {
		s.log(r, "ID token: "+err.Error())
		if outage := (*outageError)(nil); errors.As(err, &outage) {
			return Actor{}, signOnAway()
		}
		return Actor{}, notBegun()
	}
	if subtle.ConstantTimeCompare([]byte(token.Nonce), []byte(nonce)) != 1 { // point 11
		s.log(r, "ID token: of another attempt, by its nonce")
		return Actor{}, notBegun()
	}
	party, err := claims.text("azp")
	if err != nil || party != "" && party != s.cfg.ClientID || party == "" && len(token.Audience) > 1 { // points 4 and 5
		s.log(r, "ID token: given to another client")
		return Actor{}, notBegun()
	}
	actor, err := actorOf(claims)
	if err != nil {
		s.log(r, "ID token: "+err.Error())
		return Actor{}, &web.Error{Code: web.CodeForbidden, Message: "The sign-on service knows you, but it doesn't say which role you have here, or not all that belongs to the role. Ask whoever runs this service to have that put right; signing in again doesn't help."}
	}
	return actor, nil
}

// EndAddress is where the browser ends the provider's own session, or empty if the
// provider has no such place (RP-Initiated Logout 1.0, 2). No id_token_hint goes
// along: it would carry the person's claims in an address, so the provider asks
// the person instead.
func (s *SignOn) EndAddress(ctx context.Context) string {
	p, err := s.provider(ctx)
	if err != nil || p.endSession == "" {
		return ""
	}
	address, err := url.Parse(p.endSession)
	if err != nil {
		return ""
	}
	query := address.Query()
	query.Set("client_id", s.cfg.ClientID)
	query.Set("post_logout_redirect_uri", s.cfg.PublicURL+"/")
	address.RawQuery = query.Encode()
	return address.String()
}

func (s *SignOn) log(r *http.Request, reason string) {
	s.cfg.Logger.LogAttrs(r.Context(), slog.LevelInfo, "sign-in not accepted", slog.String("request_id", web.RequestID(r.Context())), slog.String("reason", reason))
}

// refused words an error of the authorization endpoint (RFC 6749, 4.1.2.1). Its
// error_description isn't shown: anybody can write one into an address.
func (s *SignOn) refused(r *http.Request, code string) *web.Error {
	known := []string{"access_denied", "temporarily_unavailable", "server_error", "invalid_request", "unauthorized_client",
		"unsupported_response_type", "invalid_scope", "login_required", "interaction_required", "consent_required", "account_selection_required"}
	if !slices.Contains(known, code) {
		code = "no code"
	}
	s.log(r, "the sign-on service answers: "+code)
	switch code {
	case "access_denied":
		return &web.Error{Code: web.CodeUnauthenticated, Message: "The sign-on service didn't sign you in: you broke off, or may not use this service. Try again, or ask whoever runs this service."}
	case "temporarily_unavailable", "server_error":
		return signOnAway()
	}
	return &web.Error{Code: web.CodeUnauthenticated, Message: "The sign-on service didn't sign you in. Try again; if that doesn't help, tell whoever runs this service."}
}

// notBegun is the one answer to whatever doesn't fit an attempt of this browser.
func notBegun() *web.Error {
	return &web.Error{Code: web.CodeUnauthenticated, Message: "This sign-in can't be finished: it was begun in another browser, is finished already, or took over ten minutes. Sign in once more."}
}

func signOnAway() *web.Error {
	return &web.Error{Code: web.CodeUnavailable, Message: "The sign-on service doesn't answer as it should for the moment. Try again in a little while; if that doesn't help, tell whoever runs this service."}
}
