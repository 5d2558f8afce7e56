package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
)

// ErrNoPostgres says what to install.
var ErrNoPostgres = errors.New("PostgreSQL 15 or newer was not found: install it (Debian and Ubuntu: apt-get install postgresql; macOS: brew install postgresql@16), or set DATABASE_URL")

// oldest is the oldest PostgreSQL that the SQL of this project runs on.
const oldest = 15

// places are where packages put the server programs when not on the PATH.
var places = []string{
	"/usr/lib/postgresql/*/bin", // Debian, Ubuntu
	"/usr/pgsql-*/bin",          // Red Hat and its kin
	"/usr/local/pgsql/bin",      // built from source
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
}

var versionNumber = regexp.MustCompile(`\b(\d+)(\.\d+)?`)

// findBinaries gives the folder of the newest server programs. With want above 0
// only that major version will do: a cluster belongs to the version that made it.
func findBinaries(ctx context.Context, path string, places []string, want int) (string, error) {
	dirs := filepath.SplitList(path)
	for _, pattern := range places {
		found, err := filepath.Glob(pattern)
		if err != nil {
			return "", err
		}
		dirs = append(dirs, found...)
	}
	best, newest := "", 0
	for _, dir := range dirs {
		if !filepath.IsAbs(dir) || !executable(filepath.Join(dir, "initdb")) {
			continue
		}
		out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version").Output()
		if err != nil {
			continue
		}
		m := versionNumber.FindSubmatch(out)
		if m == nil {
			continue
		}
		v, err := strconv.Atoi(string(m[1]))
		if err != nil || v < oldest || v <= newest || want > 0 && v != want {
			continue
		}
		best, newest = dir, v
	}
	switch {
	case best != "":
		return best, nil
	case want > 0:
		return "", fmt.Errorf("the cluster was made by PostgreSQL %d, which was not found: install it, or dump with it and load into a newer one", want)
	}
	return "", ErrNoPostgres
}

func executable(file string) bool {
	info, err := os.Stat(file)
	return err == nil && !info.IsDir() && info.Mode()&0o111 != 0
}

// clusterVersion is the major version of an existing cluster, or 0 for none.
func clusterVersion(cluster string) (int, error) {
	text, err := os.ReadFile(filepath.Join(cluster, "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	v, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("version of the cluster in %s: %w", cluster, err)
	}
	return v, nil
}
