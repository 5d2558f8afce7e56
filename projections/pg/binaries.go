package pg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
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
	found, err := installations(ctx, path, places, "postgres", "initdb")
	if err != nil {
		return "", err
	}
	best, newest := "", 0
	for _, f := range found {
		if f.major >= oldest && f.major > newest && (want == 0 || f.major == want) {
			best, newest = f.dir, f.major
		}
	}
	switch {
	case best != "":
		return best, nil
	case want > 0:
		return "", fmt.Errorf("the cluster was made by PostgreSQL %d, which was not found: install it, or dump with it and load into a newer one", want)
	}
	return "", ErrNoPostgres
}

// installation is a folder of PostgreSQL's programs.
type installation struct {
	dir   string
	major int    // version
	says  string // what the first program answers when asked for its version
}

// installations lists the folders that have all of some programs, those of the path first.
func installations(ctx context.Context, path string, places []string, names ...string) ([]installation, error) {
	dirs := filepath.SplitList(path)
	for _, pattern := range places {
		found, err := filepath.Glob(pattern)
		if err != nil {
			return nil, err
		}
		dirs = append(dirs, found...)
	}
	var out []installation
	for _, dir := range dirs {
		if !filepath.IsAbs(dir) || slices.ContainsFunc(names, func(name string) bool { return !executable(filepath.Join(dir, name)) }) {
			continue
		}
		says, err := exec.CommandContext(ctx, filepath.Join(dir, names[0]), "--version").Output()
		if err != nil {
			continue
		}
		m := versionNumber.FindSubmatch(says)
		if m == nil {
			continue
		}
		if major, err := strconv.Atoi(string(m[1])); err == nil {
			out = append(out, installation{dir, major, strings.TrimSpace(string(says))})
		}
	}
	return out, nil
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
