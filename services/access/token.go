package access

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
)

// Issuer is somebody whose tokens are taken.
type Issuer struct {
	URL        string   // the exact iss claim
	Audience   string   // what aud must hold
	Algorithms []string // a part of Algorithms; empty means all of them

	// Exactly one of these gives the keys.
	KeySetURL string // address of a JSON Web Key Set
	KeySet    []byte // a JSON Web Key Set with public keys, each with its kid

	demo    bool // made by a DevIssuer
	idToken bool // the tokens are for this service itself, by OpenID Connect
}

// Verifier checks tokens against the configured issuers.
type Verifier struct {
	issuers map[string]*oidc.IDTokenVerifier
	now     func() time.Time
}

// NewVerifier takes the issuers. It fails on an issuer without an audience, with
// an algorithm that isn't taken, or with the name of the demo's own issuer.
func NewVerifier(ctx context.Context, issuers []Issuer) (*Verifier, error) {
	return newVerifier(ctx, issuers, time.Now)
}

func newVerifier(ctx context.Context, issuers []Issuer, now func() time.Time) (*Verifier, error) {
	if len(issuers) == 0 {
		return nil, errors.New("no token issuer is configured: nobody could sign in")
	}
	v := &Verifier{issuers: map[string]*oidc.IDTokenVerifier{}, now: now}
	for _, i := range issuers {
		one, err := i.verifier(ctx, now)
		if err != nil {
			return nil, fmt.Errorf("token issuer %q: %w", i.URL, err)
		}
		if _, twice := v.issuers[i.URL]; twice {
			return nil, fmt.Errorf("token issuer %q: configured twice", i.URL)
		}
		v.issuers[i.URL] = one
	}
	return v, nil
}

func (i Issuer) verifier(ctx context.Context, now func() time.Time) (*oidc.IDTokenVerifier, error) {
	if i.URL == "" || i.Audience == "" {
		return nil, errors.New("needs a URL and an audience")
	}
	if i.URL == demoIssuerURL && !i.demo {
		return nil, errors.New("this is the name of the demo's own issuer")
	}
	taken := Algorithms
	if i.idToken {
		taken = idTokenAlgorithms
	}
	algorithms := i.Algorithms
	if len(algorithms) == 0 {
		algorithms = taken
	}
	for _, a := range algorithms {
		if !slices.Contains(taken, a) {
			return nil, fmt.Errorf("algorithm %q isn't one of %s", a, strings.Join(taken, ", "))
		}
	}
	var keys oidc.KeySet
	var err error
	switch {
	case (i.KeySetURL == "") == (len(i.KeySet) == 0):
		return nil, errors.New("needs either the address of a key set or a key set")
	case i.KeySetURL != "":
		keys, err = newRemoteKeys(ctx, i.KeySetURL)
	default:
		keys, err = parseKeySet(i.KeySet)
	}
	if err != nil {
		return nil, err
	}
	return oidc.NewVerifier(i.URL, keys, &oidc.Config{ClientID: i.Audience, SupportedSigningAlgs: algorithms, Now: now}), nil
}

// Bounds of a token.
const (
	maxTokenBytes = 8 << 10
	clockSkew     = 5 * time.Minute // what go-oidc allows for nbf
)

// errRefused is why a token isn't accepted, in words of ours that hold nothing
// of the token. The caller is told only that it isn't.
type errRefused string

func (e errRefused) Error() string { return string(e) }

// Verify gives the actor of a token. Its errors are for the log; *outageError
// among them means that the token could not be checked.
func (v *Verifier) Verify(ctx context.Context, token string) (Actor, error) {
	actor, _, err := v.VerifyUntil(ctx, token)
	return actor, err
}

// VerifyUntil gives the actor of a token, as Verify does, and when the token ends.
func (v *Verifier) VerifyUntil(ctx context.Context, token string) (Actor, time.Time, error) {
	claims, verified, err := v.check(ctx, token)
	if err != nil {
		return Actor{}, time.Time{}, err
	}
	actor, err := actorOf(claims)
	if err != nil {
		return Actor{}, time.Time{}, errRefused(err.Error())
	}
	return actor, verified.Expiry, nil
}

// check gives the claims of a token whose signature, issuer, audience and times
// are right. What they say of a person is left to actorOf.
func (v *Verifier) check(ctx context.Context, token string) (members, *oidc.IDToken, error) {
	claims, err := readToken(token)
	if err != nil {
		return nil, nil, errRefused(err.Error())
	}
	issuer, err := claims.text("iss")
	if err != nil {
		return nil, nil, errRefused(err.Error())
	}
	one, ok := v.issuers[issuer]
	if !ok {
		return nil, nil, errRefused("the issuer isn't configured")
	}
	var outage error
	ctx = context.WithValue(ctx, outageKey{}, &outage)
	verified, err := one.Verify(ctx, token)
	var expired *oidc.TokenExpiredError
	switch {
	case outage != nil:
		return nil, nil, outage
	case errors.As(err, &expired):
		return nil, nil, errRefused("expired, or without exp")
	case err != nil:
		// The library's text quotes the token.
		return nil, nil, errRefused("signature, algorithm, audience or time isn't right")
	}
	if verified.IssuedAt.After(v.now().Add(clockSkew)) {
		return nil, nil, errRefused("issued in the future")
	}
	return claims, verified, nil
}

// headerNames are the members that a token's header may have. Others, such as
// jku, jwk, x5u and crit, would say where to find a key or change what is signed.
var headerNames = map[string]bool{"alg": true, "kid": true, "typ": true, "x5t": true, "x5t#S256": true}

// readToken takes a token apart before any key is touched: the compact form of
// three parts only, a header with a kid and nothing that leads elsewhere, and
// claims that can be read in one way only. Nothing of it is trusted yet.
func readToken(token string) (members, error) {
	if len(token) > maxTokenBytes {
		return nil, fmt.Errorf("over %d bytes", maxTokenBytes)
	}
	parts := strings.Split(token, ".")
	if len(parts) != 3 {
		return nil, errors.New("not of three parts")
	}
	var decoded [3][]byte
	for i, part := range parts {
		var err error
		// Strict: one signature has one spelling.
		decoded[i], err = base64.RawURLEncoding.Strict().DecodeString(part)
		if err != nil || len(decoded[i]) == 0 {
			return nil, errors.New("a part isn't base64url")
		}
	}
	header, err := parseMembers(decoded[0])
	if err != nil {
		return nil, fmt.Errorf("header: %w", err)
	}
	for name := range header {
		if !headerNames[name] {
			return nil, errors.New("header: a member that isn't taken")
		}
	}
	var kid string
	if err := json.Unmarshal(header["kid"], &kid); err != nil || kid == "" || len(kid) > 200 {
		return nil, errors.New("header: no kid")
	}
	claims, err := parseMembers(decoded[1])
	if err != nil {
		return nil, fmt.Errorf("claims: %w", err)
	}
	if err := claims.checkNames(); err != nil {
		return nil, err
	}
	return claims, nil
}
