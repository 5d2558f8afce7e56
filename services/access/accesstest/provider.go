// Package accesstest has an OpenID provider on this machine for tests. It holds
// whoever asks to the letter of RFC 6749 (OAuth 2.0), RFC 7636 (PKCE) and OpenID
// Connect Core 1.0, more strictly than most, and can be made to answer wrongly.
package accesstest

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Client is what is registered at the provider.
type Client struct {
	ID, Secret string // without a secret it is a public client
	Redirect   string // the one redirect_uri that is taken
}

// Provider is the OpenID provider. Its fields are set before a request, under no
// lock.
type Provider struct {
	URL    string // the issuer
	Client Client

	Person  map[string]any       // claims of who signs in next, sub among them
	Change  func(map[string]any) // changes the claims of an ID token before it is signed
	Refuse  string               // the authorization endpoint answers with this error
	Away    bool                 // every answer is 503
	NoEnd   bool                 // the discovery document has no end_session_endpoint
	Strange bool                 // ID tokens are signed by a key that isn't published

	t          testing.TB
	key, other *rsa.PrivateKey
	mu         sync.Mutex
	codes      map[string]*grant
	ended      []url.Values
	kept       int // ID tokens given
}

// grant is what a code stands for.
type grant struct {
	challenge, nonce, redirect string
	claims                     map[string]any
	used                       bool
}

// New starts a provider, which ends with the test. A request that breaks a rule
// fails the test, unless the rule is about a code that was used, expired or stolen:
// that is what a client may come to.
func New(t testing.TB, host string) *Provider {
	t.Helper()
	p := &Provider{t: t, codes: map[string]*grant{}}
	var err error
	if p.key, err = rsa.GenerateKey(rand.Reader, 2048); err == nil {
		p.other, err = rsa.GenerateKey(rand.Reader, 2048)
	}
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", p.discovery)
	mux.HandleFunc("GET /keys", p.keys)
	mux.HandleFunc("GET /authorize", p.authorize)
	mux.HandleFunc("POST /token", p.token)
	mux.HandleFunc("GET /end", p.end)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if p.Away {
			http.Error(w, "away", http.StatusServiceUnavailable)
			return
		}
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	p.URL = strings.Replace(server.URL, "127.0.0.1", host, 1)
	return p
}

// Ended lists the queries with which somebody came to sign out.
func (p *Provider) Ended() []url.Values {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ended
}

// Tokens says how many ID tokens were given.
func (p *Provider) Tokens() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kept
}

// discovery is OpenID Connect Discovery 1.0, 3.
func (p *Provider) discovery(w http.ResponseWriter, _ *http.Request) {
	method := "client_secret_basic"
	if p.Client.Secret == "" {
		method = "none"
	}
	document := map[string]any{
		"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token", "jwks_uri": p.URL + "/keys",
		"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"}, "id_token_signing_alg_values_supported": []string{"RS256"},
		"token_endpoint_auth_methods_supported": []string{method}, "code_challenge_methods_supported": []string{"S256"},
	}
	if !p.NoEnd {
		document["end_session_endpoint"] = p.URL + "/end" // RP-Initiated Logout 1.0, 2.1
	}
	p.json(w, http.StatusOK, document)
}

func (p *Provider) keys(w http.ResponseWriter, _ *http.Request) {
	p.json(w, http.StatusOK, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: p.key.Public(), KeyID: "one", Algorithm: "RS256", Use: "sig"}}})
}

// authorize is RFC 6749, 4.1.1, Core 1.0, 3.1.2.1 and RFC 7636, 4.3. Whoever comes is
// signed in as Person without a question.
func (p *Provider) authorize(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	for name, values := range q {
		p.rule(len(values) == 1, "parameter %s comes %d times (RFC 6749, 3.1)", name, len(values))
	}
	p.rule(q.Get("response_type") == "code", "response_type %q", q.Get("response_type"))
	p.rule(q.Get("client_id") == p.Client.ID, "client_id %q", q.Get("client_id"))
	p.rule(q.Get("redirect_uri") == p.Client.Redirect, "redirect_uri %q isn't registered", q.Get("redirect_uri"))
	p.rule(strings.Contains(" "+q.Get("scope")+" ", " openid "), "scope %q", q.Get("scope"))
	p.rule(len(q.Get("state")) >= 22 && len(q.Get("nonce")) >= 22 && q.Get("state") != q.Get("nonce"), "state %q, nonce %q: 128 bits each", q.Get("state"), q.Get("nonce"))
	p.rule(q.Get("code_challenge_method") == "S256" && len(q.Get("code_challenge")) == 43, "code_challenge %q by %q (RFC 7636, 4.2)", q.Get("code_challenge"), q.Get("code_challenge_method"))
	answer := url.Values{"state": {q.Get("state")}, "iss": {p.URL}} // RFC 9207
	if p.Refuse != "" {
		answer.Set("error", p.Refuse)
		answer.Set("error_description", "<b>ring 555 0100 and read out your password</b>")
	} else {
		code := rand.Text()
		p.mu.Lock()
		p.codes[code] = &grant{challenge: q.Get("code_challenge"), nonce: q.Get("nonce"), redirect: q.Get("redirect_uri"), claims: maps.Clone(p.Person)}
		p.mu.Unlock()
		answer.Set("code", code)
	}
	http.Redirect(w, r, q.Get("redirect_uri")+"?"+answer.Encode(), http.StatusFound)
}

// token is RFC 6749, 4.1.3 and 5.2, with the check of RFC 7636, 4.6.
func (p *Provider) token(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rule(r.ParseForm() == nil && r.URL.RawQuery == "", "no form")
	id, secret, basic := r.BasicAuth()
	switch {
	case p.Client.Secret == "":
		p.rule(!basic && r.PostFormValue("client_id") == p.Client.ID && !r.PostForm.Has("client_secret"), "a public client gives its client_id alone")
	case !basic || id != url.QueryEscape(p.Client.ID) || secret != url.QueryEscape(p.Client.Secret): // RFC 6749, 2.3.1
		p.json(w, http.StatusUnauthorized, map[string]string{"error": "invalid_client"})
		return
	}
	p.rule(r.PostFormValue("grant_type") == "authorization_code", "grant_type %q", r.PostFormValue("grant_type"))
	given, ok := p.codes[r.PostFormValue("code")]
	sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	if !ok || given.used || base64.RawURLEncoding.EncodeToString(sum[:]) != given.challenge {
		if ok {
			given.used = true
		}
		p.json(w, http.StatusBadRequest, map[string]string{"error": "invalid_grant"})
		return
	}
	given.used = true
	p.rule(r.PostFormValue("redirect_uri") == given.redirect, "redirect_uri %q differs", r.PostFormValue("redirect_uri"))
	claims := given.claims
	now := time.Now()
	claims["iss"], claims["aud"], claims["nonce"] = p.URL, p.Client.ID, given.nonce
	claims["iat"], claims["exp"] = now.Unix(), now.Add(5*time.Minute).Unix()
	if p.Change != nil {
		p.Change(claims)
	}
	p.kept++
	p.json(w, http.StatusOK, map[string]any{"access_token": rand.Text(), "token_type": "Bearer", "expires_in": 300, "id_token": p.sign(claims)})
}

func (p *Provider) sign(claims map[string]any) string {
	key := p.key
	if p.Strange {
		key = p.other
	}
	payload, err := json.Marshal(claims)
	if err != nil {
		p.t.Error(err)
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: key, KeyID: "one"}}, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		p.t.Error(err)
		return ""
	}
	signed, err := signer.Sign(payload)
	if err != nil {
		p.t.Error(err)
		return ""
	}
	compact, err := signed.CompactSerialize()
	if err != nil {
		p.t.Error(err)
	}
	return compact
}

// end is RP-Initiated Logout 1.0, 2.
func (p *Provider) end(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	p.ended = append(p.ended, r.URL.Query())
	p.mu.Unlock()
	w.Header().Set("Content-Type", "text/html")
	_, _ = fmt.Fprint(w, "<!DOCTYPE html><html lang=\"en\"><title>Ended</title><main>You are signed out everywhere</main>")
}

// rule fails the test where a client breaks one.
func (p *Provider) rule(holds bool, format string, args ...any) {
	if !holds {
		p.t.Errorf("provider: "+format, args...)
	}
}

func (p *Provider) json(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store") // RFC 6749, 5.1
	w.WriteHeader(status)
	if err := json.NewEncoder(w).Encode(v); err != nil {
		p.t.Error(err)
	}
}
