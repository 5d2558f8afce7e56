package pg

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// programs makes a folder with server programs that say they are of a version.
func programs(t *testing.T, root, version string) string {
	t.Helper()
	dir := filepath.Join(root, version, "bin")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"postgres", "initdb"} {
		script := "#!/bin/sh\necho 'postgres (PostgreSQL) " + version + " (Debian " + version + "-0+deb12u1)'\n"
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestTheNewestServerIsFound(t *testing.T) {
	root := t.TempDir()
	programs(t, root, "9.6.24")
	old := programs(t, root, "14.11")
	usable := programs(t, root, "15.18")
	newest := programs(t, root, "17beta1")
	middle := programs(t, root, "16.2")
	if err := os.Remove(filepath.Join(programs(t, root, "18.1"), "initdb")); err != nil {
		t.Fatal(err) // a client's package: no server to start
	}
	all := []string{filepath.Join(root, "*", "bin")}
	for _, c := range []struct {
		name   string
		path   string
		places []string
		want   int
		found  string
	}{
		{"newest of all", "", all, 0, newest},
		{"on the PATH", "/nowhere:" + middle, nil, 0, middle},
		{"a newer one beside the PATH", usable, all, 0, newest},
		{"the one a cluster needs", newest, all, 16, middle},
	} {
		if got, err := findBinaries(t.Context(), c.path, c.places, c.want); err != nil || got != c.found {
			t.Errorf("%s: %s, %v, want %s", c.name, got, err, c.found)
		}
	}
	if _, err := findBinaries(t.Context(), old, nil, 0); !errors.Is(err, ErrNoPostgres) {
		t.Errorf("only an old one: %v", err)
	}
	if _, err := findBinaries(t.Context(), "", all, 19); err == nil || !strings.Contains(err.Error(), "PostgreSQL 19") {
		t.Errorf("a cluster of another version: %v", err)
	}
}
