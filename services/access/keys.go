package access

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
)

// Algorithms are the signatures that are taken; an issuer may be held to one.
var Algorithms = []string{string(jose.EdDSA), string(jose.ES256)}

// idTokenAlgorithms are the signatures of ID tokens that are taken. Every provider
// has to offer RS256 (OpenID Connect Core 1.0, 15.1), and many offer nothing else.
var idTokenAlgorithms = []string{string(jose.EdDSA), string(jose.ES256), string(jose.PS256), string(jose.RS256)}

// staticKeys are an issuer's public keys by their ids. A token that names none
// of them isn't tried with the others.
type staticKeys map[string]crypto.PublicKey

func parseKeySet(data []byte) (staticKeys, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(data, &set); err != nil {
		return nil, fmt.Errorf("read key set: %w", err)
	}
	keys := staticKeys{}
	for i, raw := range set.Keys {
		var key jose.JSONWebKey
		if err := json.Unmarshal(raw, &key); err != nil {
			return nil, fmt.Errorf("read key %d: %w", i, err)
		}
		if key.KeyID == "" {
			return nil, fmt.Errorf("read key %d: it has no kid", i)
		}
		if _, twice := keys[key.KeyID]; twice {
			return nil, fmt.Errorf("read key %d: kid %q comes twice", i, key.KeyID)
		}
		switch public := key.Key.(type) {
		case ed25519.PublicKey:
		case *ecdsa.PublicKey:
			if public.Curve != elliptic.P256() {
				return nil, fmt.Errorf("read key %q: not on the curve P-256", key.KeyID)
			}
		default:
			return nil, fmt.Errorf("read key %q: %T is no public key for EdDSA or ES256", key.KeyID, key.Key)
		}
		keys[key.KeyID] = key.Key
	}
	if len(keys) == 0 {
		return nil, errors.New("read key set: it holds no key")
	}
	return keys, nil
}

// VerifySignature is what go-oidc asks of a key set.
func (k staticKeys) VerifySignature(_ context.Context, token string) ([]byte, error) {
	jws, err := jose.ParseSignedCompact(token, []jose.SignatureAlgorithm{jose.EdDSA, jose.ES256})
	if err != nil {
		return nil, err
	}
	key, ok := k[jws.Signatures[0].Header.KeyID]
	if !ok {
		return nil, errors.New("no key of this kid")
	}
	return jws.Verify(key)
}

// remoteKeys are an issuer's public keys at an address. The library keeps them
// and asks again when a token names a key it doesn't know.
type remoteKeys struct{ set *oidc.RemoteKeySet }

const (
	fetchTimeout = 5 * time.Second
	// A token with a made-up kid makes the library ask the issuer, so strangers
	// could have us ask without end.
	fetchEvery = 10 * time.Second
)

func newRemoteKeys(ctx context.Context, address string) (*remoteKeys, error) {
	if err := checkAddress(address); err != nil {
		return nil, fmt.Errorf("key set address: %w", err)
	}
	client := &http.Client{
		Timeout:       fetchTimeout,
		Transport:     &sparing{next: http.DefaultTransport, every: fetchEvery},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &remoteKeys{oidc.NewRemoteKeySet(oidc.ClientContext(ctx, client), address)}, nil
}

// checkAddress refuses an address over which secrets or keys would go in the open:
// it is https, or on this machine.
func checkAddress(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return err
	}
	loopback := u.Hostname() == "127.0.0.1" || u.Hostname() == "localhost" || u.Hostname() == "::1"
	if u.Host == "" || u.Scheme != "https" && (u.Scheme != "http" || !loopback) {
		return fmt.Errorf("%s: must be https", address)
	}
	return nil
}

// VerifySignature is what go-oidc asks of a key set.
func (k *remoteKeys) VerifySignature(ctx context.Context, token string) ([]byte, error) {
	payload, err := k.set.VerifySignature(ctx, token)
	if outage := (*outageError)(nil); errors.As(err, &outage) {
		// go-oidc keeps only the text of this error.
		if noted, ok := ctx.Value(outageKey{}).(*error); ok {
			*noted = outage
		}
	}
	return payload, err
}

// outageError says that an issuer's keys can't be fetched: the token may be good.
type outageError struct{ cause error }

func (e *outageError) Error() string {
	return "keys of the issuer can't be fetched: " + e.cause.Error()
}
func (e *outageError) Unwrap() error { return e.cause }

type outageKey struct{}

var errTooOften = errors.New("keys were fetched a moment ago")

// sparing lets one request through in each interval. A failed one may be tried
// again at once: it taught us no keys.
type sparing struct {
	next  http.RoundTripper
	every time.Duration

	mu   sync.Mutex
	last time.Time
}

func (s *sparing) RoundTrip(r *http.Request) (*http.Response, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.last.IsZero() && time.Since(s.last) < s.every {
		return nil, errTooOften
	}
	response, err := s.next.RoundTrip(r)
	if err != nil {
		return nil, &outageError{err}
	}
	if response.StatusCode != http.StatusOK {
		response.Body.Close()
		return nil, &outageError{fmt.Errorf("status %d", response.StatusCode)}
	}
	response.Body = http.MaxBytesReader(nil, response.Body, maxKeySetBytes)
	s.last = time.Now()
	return response, nil
}

const maxKeySetBytes = 1 << 20
