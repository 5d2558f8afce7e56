package portal

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
)

// built are the files of assets/ that make charts writes.
var built = []string{"charts.js", "page.js", "charts.licences.txt"}

// sourcesOfCharts lists what the scripts are made from, in the order of build.mjs.
func sourcesOfCharts(t *testing.T) []string {
	t.Helper()
	names := []string{"package.json", "package-lock.json"}
	for _, pattern := range []string{"*.js", "*.mjs", "live/*.js"} {
		found, err := filepath.Glob(filepath.Join("charts", filepath.FromSlash(pattern)))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range found {
			name, err := filepath.Rel("charts", f)
			if err != nil {
				t.Fatal(err)
			}
			names = append(names, filepath.ToSlash(name))
		}
	}
	slices.Sort(names)
	return names
}

// The committed scripts say which sources they were made from: those that stand
// beside them. This needs no npm.
func TestScriptsAreOfTheseSources(t *testing.T) {
	digest := sha256.New()
	for _, name := range sourcesOfCharts(t) {
		body, err := os.ReadFile(filepath.Join("charts", filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(digest, "%s\n%s", name, body)
	}
	want := hex.EncodeToString(digest.Sum(nil))
	for _, name := range []string{"charts.js", "page.js"} {
		head, _, _ := bytes.Cut(files()[name].body, []byte("\n"))
		if !bytes.Contains(head, []byte("sources sha256 "+want+";")) {
			t.Errorf("assets/%s was made from other sources: run make charts and commit what it writes\n%s", name, head)
		}
	}
}

// The committed scripts are what npm and esbuild make of the sources, byte by byte.
// Where npm can't be had it says so and leaves it out, unless NPM=required.
func TestScriptsAreBuiltFromTheirSources(t *testing.T) {
	if testing.Short() {
		t.Skip("-short leaves out what needs npm and its registry")
	}
	without := func(reason string, out []byte) {
		t.Helper()
		message := "THE SCRIPTS OF THE PAGES WEREN'T BUILT ANEW, so nothing holds them to their sources: " + reason + "\n" + string(out)
		if os.Getenv("NPM") == "required" {
			t.Fatal(message)
		}
		fmt.Fprintln(os.Stderr, message)
		t.Skip(message)
	}
	npm, err := exec.LookPath("npm")
	if err != nil {
		without("npm isn't on the PATH", nil)
	}
	dir := t.TempDir()
	if err := os.CopyFS(filepath.Join(dir, "charts"), onlySources{os.DirFS("charts")}); err != nil {
		t.Fatal(err)
	}
	run := func(name string, args ...string) ([]byte, error) {
		c := exec.CommandContext(t.Context(), name, args...)
		c.Dir = filepath.Join(dir, "charts")
		return c.CombinedOutput()
	}
	if out, err := run(npm, "ci", "--no-audit", "--no-fund", "--ignore-scripts", "--prefer-offline"); err != nil {
		without("npm ci: "+err.Error(), out)
	}
	if out, err := run("node", "build.mjs", filepath.Join(dir, "made")); err != nil {
		t.Fatalf("node build.mjs: %v\n%s", err, out)
	}
	for _, name := range built {
		made, err := os.ReadFile(filepath.Join(dir, "made", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(made, files()[name].body) {
			t.Errorf("assets/%s isn't what its sources make: run make charts and commit what it writes", name)
		}
	}
}

var evaluates = regexp.MustCompile(`\beval\(|new Function\b|\bFunction\(`)

// The scripts are light, hold no eval, ask no other host, and come with the licences
// of what is in them.
func TestScripts(t *testing.T) {
	for name, most := range map[string]int{"charts.js": 120_000, "page.js": 12_000, "style.css": 12_000} {
		f := files()[name]
		if len(f.zipped) == 0 || len(f.zipped) > most {
			t.Errorf("%s: %d bytes compressed, want 1 to %d", name, len(f.zipped), most)
		}
		z, err := gzip.NewReader(bytes.NewReader(f.zipped))
		if err != nil {
			t.Fatal(err)
		}
		var back bytes.Buffer
		if _, err := back.ReadFrom(z); err != nil || !bytes.Equal(back.Bytes(), f.body) {
			t.Errorf("%s compressed isn't the same: %v", name, err)
		}
		if evaluates.Match(f.body) {
			t.Errorf("%s makes code of text, which the content security policy refuses: %s", name, evaluates.Find(f.body))
		}
	}
	licences := string(files()["charts.licences.txt"].body)
	for _, name := range []string{"@observablehq/plot", "d3-array", "d3-scale", "isoformat"} {
		if !strings.Contains(licences, "== "+name+" ") {
			t.Errorf("the licence of %s is missing", name)
		}
	}
	if strings.Contains(licences, "holds no licence text") {
		t.Error("a library comes without its licence text")
	}
}

// onlySources leaves out what npm installed.
type onlySources struct{ fs.FS }

func (o onlySources) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(o.FS, name)
	return slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return e.Name() == "node_modules" }), err
}
