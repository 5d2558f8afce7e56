package access

import (
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

const (
	testIssuer   = "https://issuer.example"
	testAudience = "lensledger"
)

// clock is the fixed time of these tests.
var clock = time.Date(2026, 3, 12, 9, 0, 0, 0, time.UTC)

// signer is an issuer's private key.
type signer struct {
	ed  ed25519.PrivateKey
	ec  *ecdsa.PrivateKey
	rsa *rsa.PrivateKey
}

func newSigner(t testing.TB) signer {
	t.Helper()
	_, ed, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	ec, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	r, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	return signer{ed, ec, r}
}

// keySet is the public part of the keys that are taken.
func (s signer) keySet(t testing.TB) []byte {
	t.Helper()
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{
		{Key: s.ed.Public(), KeyID: "ed", Algorithm: "EdDSA", Use: "sig"},
		{Key: s.ec.Public(), KeyID: "ec", Algorithm: "ES256", Use: "sig"},
	}})
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// raw signs any header and claims, right or wrong: alg says with which key.
func (s signer) raw(t testing.TB, alg, header, claims string) string {
	t.Helper()
	b64 := base64.RawURLEncoding.EncodeToString
	input := b64([]byte(header)) + "." + b64([]byte(claims))
	sum := sha256.Sum256([]byte(input))
	var signature []byte
	switch alg {
	case "none":
		return input + "."
	case "EdDSA":
		signature = ed25519.Sign(s.ed, []byte(input))
	case "ES256":
		r, v, err := ecdsa.Sign(rand.Reader, s.ec, sum[:])
		if err != nil {
			t.Fatal(err)
		}
		signature = append(r.FillBytes(make([]byte, 32)), v.FillBytes(make([]byte, 32))...)
	case "RS256":
		var err error
		signature, err = rsa.SignPKCS1v15(rand.Reader, s.rsa, 5 /* crypto.SHA256 */, sum[:])
		if err != nil {
			t.Fatal(err)
		}
	case "HS256": // the public key as shared secret
		mac := hmac.New(sha256.New, s.ed.Public().(ed25519.PublicKey))
		mac.Write([]byte(input))
		signature = mac.Sum(nil)
	case "HS256-pkix":
		der, err := x509.MarshalPKIXPublicKey(s.ec.Public())
		if err != nil {
			t.Fatal(err)
		}
		mac := hmac.New(sha256.New, der)
		mac.Write([]byte(input))
		signature = mac.Sum(nil)
	default:
		t.Fatalf("alg %s", alg)
	}
	return input + "." + b64(signature)
}

const goodHeader = `{"alg":"EdDSA","kid":"ed","typ":"JWT"}`

// claims are those of a good trainee token with some replaced; nil leaves one out.
func claims(t testing.TB, change map[string]any) string {
	t.Helper()
	all := map[string]any{
		"iss": testIssuer, "aud": testAudience, "sub": "person-1", "role": "trainee", "surgeon": "S-014",
		"iat": clock.Unix(), "exp": clock.Add(time.Hour).Unix(),
	}
	for name, value := range change {
		all[name] = value
		if value == nil {
			delete(all, name)
		}
	}
	text, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func testVerifier(t testing.TB, issuers ...Issuer) *Verifier {
	t.Helper()
	v, err := newVerifier(context.Background(), issuers, func() time.Time { return clock })
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func issuerOf(t testing.TB, s signer) Issuer {
	return Issuer{URL: testIssuer, Audience: testAudience, KeySet: s.keySet(t)}
}

// attacks are tokens that must not be accepted.
func attacks(t testing.TB, s, stranger signer) map[string]string {
	good := s.raw(t, "EdDSA", goodHeader, claims(t, nil))
	parts := strings.Split(good, ".")
	header := func(h string) string { return s.raw(t, "EdDSA", h, claims(t, nil)) }
	with := func(change map[string]any) string { return s.raw(t, "EdDSA", goodHeader, claims(t, change)) }
	b64 := base64.RawURLEncoding.EncodeToString
	embedded, err := json.Marshal(jose.JSONWebKey{Key: stranger.ed.Public()})
	if err != nil {
		t.Fatal(err)
	}
	unix := func(d time.Duration) int64 { return clock.Add(d).Unix() }
	jsonForm := fmt.Sprintf(`{"payload":%q,"protected":%q,"signature":%q}`, parts[1], parts[0], parts[2])
	return map[string]string{
		// the signature
		"no signature, alg none":        s.raw(t, "none", `{"alg":"none","kid":"ed"}`, claims(t, nil)),
		"no signature, alg None":        s.raw(t, "none", `{"alg":"None","kid":"ed"}`, claims(t, nil)),
		"no signature, alg EdDSA":       parts[0] + "." + parts[1] + ".",
		"alg none, signature left":      b64([]byte(`{"alg":"none","kid":"ed"}`)) + "." + parts[1] + "." + parts[2],
		"HS256 with the public key":     s.raw(t, "HS256", `{"alg":"HS256","kid":"ed"}`, claims(t, nil)),
		"HS256 with the public key DER": s.raw(t, "HS256-pkix", `{"alg":"HS256","kid":"ec"}`, claims(t, nil)),
		"RS256":                         s.raw(t, "RS256", `{"alg":"RS256","kid":"ed"}`, claims(t, nil)),
		"another's key":                 stranger.raw(t, "EdDSA", goodHeader, claims(t, nil)),
		"another's key under ES256":     stranger.raw(t, "ES256", `{"alg":"ES256","kid":"ec"}`, claims(t, nil)),
		"ES256 said, EdDSA done":        s.raw(t, "EdDSA", `{"alg":"ES256","kid":"ec"}`, claims(t, nil)),
		"EdDSA said, ES256 done":        s.raw(t, "ES256", goodHeader, claims(t, nil)),
		"claims swapped":                parts[0] + "." + b64([]byte(claims(t, map[string]any{"role": "quality", "departments": []string{"HARBOUR"}}))) + "." + parts[2],
		"signature of zeros":            parts[0] + "." + parts[1] + "." + b64(make([]byte, 64)),
		"ES256 signature of zeros":      b64([]byte(`{"alg":"ES256","kid":"ec"}`)) + "." + parts[1] + "." + b64(make([]byte, 64)),
		"signature cut":                 good[:len(good)-4],
		"signature spelt otherwise":     good[:len(good)-1] + respell(good[len(good)-1]),

		// the header
		"kid unknown":        header(`{"alg":"EdDSA","kid":"other"}`),
		"kid of another key": header(`{"alg":"EdDSA","kid":"ec"}`),
		"kid a path":         header(`{"alg":"EdDSA","kid":"../../dev/null"}`),
		"kid an SQL string":  header(`{"alg":"EdDSA","kid":"' UNION SELECT 'key"}`),
		"kid empty":          header(`{"alg":"EdDSA","kid":""}`),
		"kid missing":        header(`{"alg":"EdDSA"}`),
		"kid a number":       header(`{"alg":"EdDSA","kid":1}`),
		"jku":                header(`{"alg":"EdDSA","kid":"ed","jku":"https://attacker.example/keys"}`),
		"x5u":                header(`{"alg":"EdDSA","kid":"ed","x5u":"https://attacker.example/cert"}`),
		"jwk inside":         stranger.raw(t, "EdDSA", fmt.Sprintf(`{"alg":"EdDSA","kid":"ed","jwk":%s}`, embedded), claims(t, nil)),
		"crit":               header(`{"alg":"EdDSA","kid":"ed","crit":["exp"],"exp":1}`),
		"b64 false":          header(`{"alg":"EdDSA","kid":"ed","b64":false,"crit":["b64"]}`),
		"alg twice":          header(`{"alg":"none","alg":"EdDSA","kid":"ed"}`),
		"compressed":         header(`{"alg":"EdDSA","kid":"ed","zip":"DEF"}`),
		"nested":             header(`{"alg":"EdDSA","kid":"ed","cty":"JWT"}`),
		"header no object":   header(`"EdDSA"`),
		"header with a tail": header(goodHeader + `{}`),

		// issuer, audience, times
		"issuer of nobody":           with(map[string]any{"iss": "https://attacker.example"}),
		"issuer missing":             with(map[string]any{"iss": nil}),
		"issuer with a slash":        with(map[string]any{"iss": testIssuer + "/"}),
		"issuer a list":              with(map[string]any{"iss": []string{testIssuer}}),
		"issuer of the demo":         with(map[string]any{"iss": demoIssuerURL, "aud": demoAudience}),
		"audience of another":        with(map[string]any{"aud": "payroll"}),
		"audience missing":           with(map[string]any{"aud": nil}),
		"audience empty list":        with(map[string]any{"aud": []string{}}),
		"audience list of others":    with(map[string]any{"aud": []string{"payroll", "lensledger-test"}}),
		"audience list of an object": with(map[string]any{"aud": []any{map[string]string{"aud": testAudience}}}),
		"audience a part":            with(map[string]any{"aud": "lens"}),
		"expired":                    with(map[string]any{"exp": unix(-time.Second)}),
		"exp missing":                with(map[string]any{"exp": nil}),
		"exp null":                   s.raw(t, "EdDSA", goodHeader, strings.Replace(claims(t, nil), `"exp":`+fmt.Sprint(unix(time.Hour)), `"exp":null`, 1)),
		"exp text":                   with(map[string]any{"exp": "2999-01-01T00:00:00Z"}),
		"exp negative":               with(map[string]any{"exp": -1}),
		"exp in other letters":       with(map[string]any{"exp": nil, "EXP": unix(time.Hour)}),
		"not yet":                    with(map[string]any{"nbf": unix(time.Hour)}),
		"issued in the future":       with(map[string]any{"iat": unix(time.Hour), "exp": unix(2 * time.Hour)}),

		// role and scope
		"role missing":                 with(map[string]any{"role": nil}),
		"role unknown":                 with(map[string]any{"role": "root"}),
		"role in capitals":             with(map[string]any{"role": "Trainee"}),
		"role with a blank":            with(map[string]any{"role": "quality "}),
		"role a list":                  with(map[string]any{"role": []string{"quality"}}),
		"role null":                    s.raw(t, "EdDSA", goodHeader, strings.Replace(claims(t, nil), `"role":"trainee"`, `"role":null`, 1)),
		"role twice":                   s.raw(t, "EdDSA", goodHeader, `{"role":"quality",`+claims(t, nil)[1:]),
		"role in other letters":        with(map[string]any{"Role": "quality"}),
		"subject missing":              with(map[string]any{"sub": nil}),
		"subject endless":              with(map[string]any{"sub": strings.Repeat("s", 256)}),
		"trainee without a code":       with(map[string]any{"surgeon": nil}),
		"surgeon no code":              with(map[string]any{"surgeon": "S-014,S-015"}),
		"surgeon a list":               with(map[string]any{"surgeon": []string{"S-014"}}),
		"trainer without a code":       with(map[string]any{"role": "trainer", "surgeon": nil, "supervises": []string{"S-014"}}),
		"supervises text":              with(map[string]any{"role": "trainer", "supervises": "S-014"}),
		"supervises with a comma":      with(map[string]any{"role": "trainer", "supervises": []string{"S-014,S-015"}}),
		"supervises with a null":       with(map[string]any{"role": "trainer", "supervises": []any{nil}}),
		"quality without a department": with(map[string]any{"role": "quality"}),
		"department a star":            with(map[string]any{"role": "quality", "departments": []string{"*"}}),
		"departments text":             with(map[string]any{"role": "quality", "departments": "HARBOUR"}),
		"integrator without source":    with(map[string]any{"role": "integrator", "departments": []string{"HARBOUR"}}),
		"integrator as the desk":       with(map[string]any{"role": "integrator", "departments": []string{"HARBOUR"}, "source": DeskSource}),
		"distributed claims":           with(map[string]any{"role": nil, "_claim_names": map[string]string{"role": "src"}, "_claim_sources": map[string]any{"src": map[string]string{"endpoint": "http://127.0.0.1:1/"}}}),

		// the form
		"too long":            with(map[string]any{"note": strings.Repeat("n", maxTokenBytes)}),
		"JSON form":           jsonForm,
		"JSON form in base64": b64([]byte(jsonForm)),
		"two parts":           parts[0] + "." + parts[1],
		"four parts":          good + "." + parts[2],
		"five parts":          strings.Repeat(parts[0]+".", 4) + parts[2],
		"padded":              parts[0] + "==." + parts[1] + "." + parts[2],
		"blank inside":        parts[0] + ". " + parts[1] + "." + parts[2],
		"claims no object":    s.raw(t, "EdDSA", goodHeader, `["trainee"]`),
		"claims with a tail":  s.raw(t, "EdDSA", goodHeader, claims(t, nil)+`{"role":"quality"}`),
		"claims broken":       s.raw(t, "EdDSA", goodHeader, `{"role":"trainee"`),
		"words":               "let me in please",
	}
}

// respell changes the unused bits of the last base64url digit of 64 bytes.
func respell(last byte) string {
	const digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	return string(digits[strings.IndexByte(digits, last)|1])
}

func TestAttackTokens(t *testing.T) {
	s, stranger := newSigner(t), newSigner(t)
	v := testVerifier(t, issuerOf(t, s))
	all := attacks(t, s, stranger)
	if len(all) < 60 {
		t.Fatalf("only %d attacks", len(all))
	}
	for name, token := range all {
		if actor, err := v.Verify(context.Background(), token); err == nil {
			t.Errorf("%s: accepted as %+v", name, actor)
		} else if strings.Contains(err.Error(), "S-014") || strings.Contains(err.Error(), "attacker") {
			t.Errorf("%s: the reason quotes the token: %v", name, err)
		}
	}
}

func TestGoodTokens(t *testing.T) {
	s := newSigner(t)
	v := testVerifier(t, issuerOf(t, s))
	for _, c := range []struct {
		name, alg, header string
		change            map[string]any
		want              Actor
	}{
		{"trainee", "EdDSA", goodHeader, nil, Actor{Subject: "person-1", Role: Trainee, Surgeon: "S-014"}},
		{"ES256", "ES256", `{"alg":"ES256","kid":"ec"}`, nil, Actor{Subject: "person-1", Role: Trainee, Surgeon: "S-014"}},
		{"one of several audiences", "EdDSA", goodHeader, map[string]any{"aud": []string{"account", testAudience}}, Actor{Subject: "person-1", Role: Trainee, Surgeon: "S-014"}},
		{"what a role has no use for is dropped", "EdDSA", goodHeader,
			map[string]any{"supervises": []string{"S-015"}, "departments": []string{"HARBOUR"}, "source": "ehr-harbour"},
			Actor{Subject: "person-1", Role: Trainee, Surgeon: "S-014"}},
		{"trainer", "EdDSA", goodHeader, map[string]any{"role": "trainer", "surgeon": "S-001", "supervises": []string{"S-015", "S-014"}, "departments": []string{"HARBOUR"}},
			Actor{Subject: "person-1", Role: Trainer, Surgeon: "S-001", Supervises: []string{"S-015", "S-014"}, Departments: []string{"HARBOUR"}}},
		{"quality", "EdDSA", goodHeader, map[string]any{"role": "quality", "departments": []string{"HARBOUR"}},
			Actor{Subject: "person-1", Role: Quality, Departments: []string{"HARBOUR"}}},
		{"auditor", "EdDSA", goodHeader, map[string]any{"role": "auditor", "departments": []string{"HARBOUR", "HILL"}},
			Actor{Subject: "person-1", Role: Auditor, Departments: []string{"HARBOUR", "HILL"}}},
		{"integrator", "EdDSA", goodHeader, map[string]any{"role": "integrator", "departments": []string{"HARBOUR"}, "source": "ehr-harbour"},
			Actor{Subject: "person-1", Role: Integrator, Departments: []string{"HARBOUR"}, Source: "ehr-harbour"}},
		{"administrator", "EdDSA", goodHeader, map[string]any{"role": "administrator", "departments": []string{"HARBOUR"}},
			Actor{Subject: "person-1", Role: Administrator}},
	} {
		got, err := v.Verify(context.Background(), s.raw(t, c.alg, c.header, claims(t, c.change)))
		if err != nil || fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s: got %+v %v, want %+v", c.name, got, err, c.want)
		}
	}
	trainer := Actor{Role: Trainer, Surgeon: "S-014", Supervises: []string{"S-020", "S-003", "S-014"}}
	if got := fmt.Sprint(trainer.Surgeons()); got != "[S-003 S-014 S-020]" {
		t.Errorf("surgeons of a trainer: %s", got)
	}
}

func TestOneIssuersKeyDoesNotSignForAnother(t *testing.T) {
	ours, theirs := newSigner(t), newSigner(t)
	v := testVerifier(t, issuerOf(t, ours), Issuer{URL: "https://other.example", Audience: testAudience, KeySet: theirs.keySet(t)})
	if _, err := v.Verify(context.Background(), theirs.raw(t, "EdDSA", goodHeader, claims(t, nil))); err == nil {
		t.Error("the second issuer's key signed as the first")
	}
	if _, err := v.Verify(context.Background(), theirs.raw(t, "EdDSA", goodHeader, claims(t, map[string]any{"iss": "https://other.example"}))); err != nil {
		t.Errorf("the second issuer's own token: %v", err)
	}
	narrow := issuerOf(t, ours)
	narrow.Algorithms = []string{"ES256"}
	if _, err := testVerifier(t, narrow).Verify(context.Background(), ours.raw(t, "EdDSA", goodHeader, claims(t, nil))); err == nil {
		t.Error("an issuer held to ES256 signed with EdDSA")
	}
}

func TestConfigurationIsChecked(t *testing.T) {
	s := newSigner(t)
	good := issuerOf(t, s)
	public := func(key any, kid string) []byte {
		set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: key, KeyID: kid}}})
		if err != nil {
			t.Fatal(err)
		}
		return set
	}
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		change func(*Issuer)
		says   string
	}{
		"no audience":       {func(i *Issuer) { i.Audience = "" }, "audience"},
		"HS256":             {func(i *Issuer) { i.Algorithms = []string{"HS256"} }, "HS256"},
		"RS256":             {func(i *Issuer) { i.Algorithms = []string{"EdDSA", "RS256"} }, "RS256"},
		"the demo's name":   {func(i *Issuer) { i.URL = demoIssuerURL }, "demo"},
		"no keys":           {func(i *Issuer) { i.KeySet = nil }, "key set"},
		"two kinds of keys": {func(i *Issuer) { i.KeySetURL = "https://issuer.example/keys" }, "key set"},
		"keys over http":    {func(i *Issuer) { i.KeySet, i.KeySetURL = nil, "http://issuer.example/keys" }, "https"},
		"a private key":     {func(i *Issuer) { i.KeySet = public(s.ed, "ed") }, "PrivateKey"},
		"an RSA key":        {func(i *Issuer) { i.KeySet = public(s.rsa.Public(), "rsa") }, "rsa"},
		"another curve":     {func(i *Issuer) { i.KeySet = public(p384.Public(), "ec") }, "P-256"},
		"a key without kid": {func(i *Issuer) { i.KeySet = public(s.ed.Public(), "") }, "kid"},
	} {
		issuer := good
		c.change(&issuer)
		if _, err := NewVerifier(context.Background(), []Issuer{issuer}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := NewVerifier(context.Background(), nil); err == nil {
		t.Error("a verifier without issuers")
	}
	if _, err := NewVerifier(context.Background(), []Issuer{good, good}); err == nil {
		t.Error("an issuer twice")
	}
}

// Keys at an address: fetched once, again for a new kid, and not for every
// made-up one; while the issuer is away, known keys still serve, and an unknown
// one is no verdict on the token.
func TestRemoteKeys(t *testing.T) {
	s := newSigner(t)
	var asked atomic.Int64
	var away atomic.Bool
	keys := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		asked.Add(1)
		if away.Load() {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		_, _ = w.Write(s.keySet(t))
	}))
	defer keys.Close()
	issuer := Issuer{URL: testIssuer, Audience: testAudience, KeySetURL: keys.URL}
	good := s.raw(t, "EdDSA", goodHeader, claims(t, nil))

	away.Store(true)
	v := testVerifier(t, issuer)
	if _, err := v.Verify(context.Background(), good); err == nil || fmt.Sprintf("%T", err) != "*access.outageError" {
		t.Errorf("keys never fetched: %v", err)
	}
	away.Store(false)
	for range 3 {
		if _, err := v.Verify(context.Background(), good); err != nil {
			t.Fatalf("a good token: %v", err)
		}
	}
	if n := asked.Load(); n != 2 {
		t.Errorf("asked %d times", n)
	}
	for i := range 50 {
		if _, err := v.Verify(context.Background(), s.raw(t, "EdDSA", fmt.Sprintf(`{"alg":"EdDSA","kid":"made-up-%d"}`, i), claims(t, nil))); err == nil {
			t.Fatal("an unknown kid was accepted")
		}
	}
	if n := asked.Load(); n > 3 {
		t.Errorf("50 made-up kids made us ask %d times", n)
	}
	away.Store(true)
	if _, err := v.Verify(context.Background(), good); err != nil {
		t.Errorf("a known key while the issuer is away: %v", err)
	}
	for name, token := range attacks(t, s, newSigner(t)) {
		if actor, err := v.Verify(context.Background(), token); err == nil {
			t.Errorf("%s: accepted as %+v", name, actor)
		}
	}
}
