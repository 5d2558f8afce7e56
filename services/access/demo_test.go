package access

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestDevIssuer(t *testing.T) {
	dir := t.TempDir()
	first, err := NewDevIssuer(dir)
	if err != nil {
		t.Fatal(err)
	}
	trainee := Persona{Subject: "demo-trainee", Role: Trainee, Surgeon: "S-014"}
	token, err := first.Token(trainee)
	if err != nil {
		t.Fatal(err)
	}
	again, err := NewDevIssuer(dir)
	if err != nil {
		t.Fatal(err)
	}
	verify := func(d *DevIssuer, now time.Time) error {
		v, err := newVerifier(t.Context(), []Issuer{d.Issuer()}, func() time.Time { return now })
		if err != nil {
			t.Fatal(err)
		}
		_, err = v.Verify(t.Context(), token)
		return err
	}
	if err := verify(again, time.Now()); err != nil {
		t.Errorf("after a restart: %v", err)
	}
	if err := verify(again, time.Now().Add(8*24*time.Hour)); err == nil {
		t.Error("after eight days it is still good")
	}
	other, err := NewDevIssuer(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if err := verify(other, time.Now()); err == nil {
		t.Error("another data directory's token is good")
	}
	// A program that isn't the demo knows neither the key nor the issuer.
	configured := testVerifier(t, issuerOf(t, newSigner(t)))
	if _, err := configured.Verify(t.Context(), token); err == nil {
		t.Error("a configured service takes the demo's token")
	}
}

func TestDevIssuerKeepsItsKeyPrivate(t *testing.T) {
	dir := t.TempDir()
	if _, err := NewDevIssuer(dir); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Fatalf("files: %v %v", entries, err)
	}
	path := filepath.Join(dir, entries[0].Name())
	info, err := os.Stat(path)
	if err != nil || info.Mode() != 0o600 {
		t.Errorf("mode %v %v", info.Mode(), err)
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := NewDevIssuer(dir); err == nil || !strings.Contains(err.Error(), "0600") {
		t.Errorf("a key that others can read: %v", err)
	}
	if err := os.WriteFile(path, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := NewDevIssuer(dir); err == nil {
		t.Error("a broken key file")
	}
}
