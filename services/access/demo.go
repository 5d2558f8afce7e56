package access

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// DevIssuer makes tokens for the demo's invented people with a key of its own.
// A program accepts them only when it is given DevIssuer.Issuer, which the demo
// alone does: NewVerifier refuses a configured issuer of this name.
type DevIssuer struct {
	key  ed25519.PrivateKey
	kid  string
	life time.Duration
	now  func() time.Time
}

// Persona is one of the demo's people.
type Persona = Actor

const (
	demoIssuerURL = "urn:lensledger:demo"
	demoAudience  = "lensledger-demo"
	demoKeyFile   = "demo-issuer.pem"
	demoTokenLife = 7 * 24 * time.Hour
)

// NewDevIssuer reads the key of a data directory, or makes one that only the
// owner can read. It fails if others can.
func NewDevIssuer(dataDir string) (*DevIssuer, error) {
	path := filepath.Join(dataDir, demoKeyFile)
	key, err := readKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		key, err = makeKey(path)
	}
	if err != nil {
		return nil, fmt.Errorf("demo issuer's key %s: %w", path, err)
	}
	sum := sha256.Sum256(key.Public().(ed25519.PublicKey))
	return &DevIssuer{key: key, kid: "demo-" + hex.EncodeToString(sum[:8]), life: demoTokenLife, now: time.Now}, nil
}

func readKey(path string) (ed25519.PrivateKey, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("mode %04o lets others read it; make it 0600, or delete it to have a new one", info.Mode().Perm())
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, errors.New("not a PEM file")
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, err
	}
	key, ok := parsed.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("a %T, not an Ed25519 key", parsed)
	}
	return key, nil
}

func makeKey(path string) (ed25519.PrivateKey, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	// Written aside and moved, so that a kill leaves no half key.
	aside, err := os.CreateTemp(filepath.Dir(path), demoKeyFile+".*") // mode 0600
	if err != nil {
		return nil, err
	}
	defer os.Remove(aside.Name())
	err = errors.Join(pem.Encode(aside, &pem.Block{Type: "PRIVATE KEY", Bytes: der}), aside.Sync(), aside.Close())
	if err != nil {
		return nil, err
	}
	return key, os.Rename(aside.Name(), path)
}

// Issuer is the configuration under which the tokens are accepted.
func (d *DevIssuer) Issuer() Issuer {
	set, err := json.Marshal(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{
		{Key: d.key.Public(), KeyID: d.kid, Algorithm: string(jose.EdDSA), Use: "sig"},
	}})
	if err != nil {
		panic("marshal an Ed25519 public key: " + err.Error())
	}
	return Issuer{URL: demoIssuerURL, Audience: demoAudience, Algorithms: []string{string(jose.EdDSA)}, KeySet: set, demo: true}
}

// Token makes a token for a persona, good for seven days.
func (d *DevIssuer) Token(p Persona) (string, error) {
	now := d.now()
	claims := p.claims()
	claims["iss"], claims["aud"] = demoIssuerURL, demoAudience
	claims["iat"], claims["exp"] = now.Unix(), now.Add(d.life).Unix()
	payload, err := json.Marshal(claims)
	if err != nil {
		return "", fmt.Errorf("make a token for %s: %w", p.Subject, err)
	}
	signer, err := jose.NewSigner(
		jose.SigningKey{Algorithm: jose.EdDSA, Key: jose.JSONWebKey{Key: d.key, KeyID: d.kid}},
		(&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		return "", fmt.Errorf("make a token for %s: %w", p.Subject, err)
	}
	jws, err := signer.Sign(payload)
	if err != nil {
		return "", fmt.Errorf("make a token for %s: %w", p.Subject, err)
	}
	return jws.CompactSerialize()
}
