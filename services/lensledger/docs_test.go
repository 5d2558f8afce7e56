package main

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lensledger/events/stream"
	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/services/intake"
)

// root is the top of the repository, where the docs' paths begin.
const root = "../.."

func readDoc(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// docs are README, DEVELOPERS and everything in docs, by path.
func docs(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{"README.md": readDoc(t, "README.md"), "DEVELOPERS.md": readDoc(t, "DEVELOPERS.md")}
	err := fs.WalkDir(os.DirFS(root), "docs", func(name string, entry fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(name, ".md") {
			out[name] = readDoc(t, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 20 {
		t.Fatalf("only %d docs were found", len(out))
	}
	return out
}

var (
	codeSpan   = regexp.MustCompile("`([^`\n]+)`")
	codeFence  = regexp.MustCompile("(?s)```[a-z]*\n(.*?)```")
	link       = regexp.MustCompile(`\]\(([^)]+)\)`)
	repository = regexp.MustCompile(`^(\.ci|events|projections|services|deploy|docs|testdata|Makefile|\.golangci\.yml|go\.mod|README\.md|DEVELOPERS\.md)(/[A-Za-z0-9_./-]*)?$`)
	headingRow = regexp.MustCompile(`(?m)^#+ (.+)$`)
	anchorSign = regexp.MustCompile(`[^a-z0-9 _-]`)
)

// quoted lists what a doc shows as code: spans, and the lines of its fences.
func quoted(text string) []string {
	var out []string
	for _, m := range codeFence.FindAllStringSubmatch(text, -1) {
		out = append(out, strings.Split(m[1], "\n")...)
	}
	for _, m := range codeSpan.FindAllStringSubmatch(codeFence.ReplaceAllString(text, ""), -1) {
		out = append(out, m[1])
	}
	return out
}

// anchors are the headings of a doc as links name them.
func anchors(text string) []string {
	var out []string
	for _, m := range headingRow.FindAllStringSubmatch(codeFence.ReplaceAllString(text, ""), -1) {
		out = append(out, strings.ReplaceAll(anchorSign.ReplaceAllString(strings.ToLower(m[1]), ""), " ", "-"))
	}
	return out
}

func exists(name string) bool {
	_, err := os.Stat(filepath.Join(root, name))
	return err == nil
}

func TestPathsInTheDocsExist(t *testing.T) {
	checked := 0
	for name, text := range docs(t) {
		for _, code := range quoted(text) {
			if repository.MatchString(code) {
				checked++
				if !exists(code) {
					t.Errorf("%s names %s, which doesn't exist", name, code)
				}
			}
		}
		for _, m := range link.FindAllStringSubmatch(codeFence.ReplaceAllString(text, ""), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			checked++
			target, anchor, _ := strings.Cut(m[1], "#")
			if target = path.Join(path.Dir(name), target); m[1][0] == '#' {
				target = name
			}
			switch {
			case !exists(target):
				t.Errorf("%s links to %s, which doesn't exist", name, m[1])
			case anchor != "" && !slices.Contains(anchors(readDoc(t, target)), anchor):
				t.Errorf("%s links to %s, but %s has no such heading", name, m[1], target)
			}
		}
	}
	if checked < 100 {
		t.Errorf("only %d paths and links were found", checked)
	}
	listed := readDoc(t, "docs/adr/README.md")
	records, err := filepath.Glob(filepath.Join(root, "docs/adr/0*.md"))
	if err != nil || len(records) == 0 {
		t.Fatal("no decisions were found", err)
	}
	for _, r := range records {
		if !strings.Contains(listed, "("+filepath.Base(r)+")") {
			t.Errorf("docs/adr/README.md doesn't list %s", filepath.Base(r))
		}
	}
}

func TestTargetsAndCommandsInTheDocsExist(t *testing.T) {
	makefile := readDoc(t, "Makefile")
	var commandNames []string
	for i := range reflect.TypeFor[commands]().NumField() {
		commandNames = append(commandNames, strings.ToLower(reflect.TypeFor[commands]().Field(i).Name))
	}
	target := regexp.MustCompile(`^make ([a-z][a-z-]*)`)
	command := regexp.MustCompile(`^(?:bin/)?lensledger ([a-z]+)`)
	targets, asked := 0, 0
	for name, text := range docs(t) {
		for _, code := range quoted(text) {
			if m := target.FindStringSubmatch(code); m != nil {
				targets++
				if !regexp.MustCompile(`(?m)^` + m[1] + `:`).MatchString(makefile) {
					t.Errorf("%s names make %s, which the Makefile doesn't have", name, m[1])
				}
			}
			if m := command.FindStringSubmatch(code); m != nil {
				asked++
				if !slices.Contains(commandNames, m[1]) {
					t.Errorf("%s names the command %s, which the program doesn't have", name, m[1])
				}
			}
		}
	}
	if targets < 10 || asked < 5 {
		t.Errorf("only %d targets and %d commands were found", targets, asked)
	}
	// The README's two commands, and help for each target.
	readme := readDoc(t, "README.md")
	for _, c := range []string{"make demo", "make test"} {
		if !strings.Contains(readme, "\n"+c+" ") {
			t.Errorf("README.md doesn't show %s", c)
		}
	}
	for _, m := range regexp.MustCompile(`(?m)^([a-z-]+):([^=\n]*)$`).FindAllStringSubmatch(makefile, -1) {
		if !strings.Contains(m[2], "##") {
			t.Errorf("the Makefile's target %s has no ## help", m[1])
		}
	}
}

func TestTopLevelIsFixed(t *testing.T) {
	allowed := []string{".ci", ".git", ".gitignore", ".golangci.yml", "DEVELOPERS.md", "Makefile", "README.md", "bin", "deploy", "docs",
		"events", "go.mod", "go.sum", "projections", "services", "testdata"}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	ignored := regexp.MustCompile(`\.(test|out|prof)$|^lensledger-data$`) // as .gitignore has it
	for _, e := range entries {
		if !slices.Contains(allowed, e.Name()) && !ignored.MatchString(e.Name()) {
			t.Errorf("%s stands at the top level, where nothing is added", e.Name())
		}
	}
}

// Every alert leads to a heading, and the server's configuration says what the
// program asks of it.
func TestDeployment(t *testing.T) {
	rules := readDoc(t, "deploy/prometheus/rules.yaml")
	urls := regexp.MustCompile(`runbook_url: (\S+)`).FindAllStringSubmatch(rules, -1)
	if alerts := strings.Count(rules, "- alert:"); alerts == 0 || len(urls) != alerts {
		t.Errorf("%d alerts have %d runbooks", alerts, len(urls))
	}
	for _, m := range urls {
		file, anchor, _ := strings.Cut(m[1], "#")
		if !exists(file) || !slices.Contains(anchors(readDoc(t, file)), anchor) {
			t.Errorf("%s is no heading of a runbook", m[1])
		}
	}
	if !strings.Contains(rules, fmt.Sprintf("result=%q", string(intake.NotStored))) {
		t.Errorf("no alert about events that are %s", intake.NotStored)
	}
	conf := readDoc(t, "deploy/nats.conf")
	for _, setting := range []string{fmt.Sprintf("max_payload: %d\n", stream.MaxMessageBytes), "sync_interval: always\n", "max_file: ", "store_dir: "} {
		if !strings.Contains(conf, setting) {
			t.Errorf("deploy/nats.conf lacks %q", setting)
		}
	}
}

// tableRow gives the cells of the n-th table row that begins with a code.
func tableRow(t *testing.T, text, code string, n int) []string {
	t.Helper()
	rows := regexp.MustCompile(`(?m)^\| `+code+` \|(.*)\|$`).FindAllStringSubmatch(text, -1)
	if len(rows) != 2 {
		t.Fatalf("docs/measures.md has %d rows of %s, want 2", len(rows), code)
	}
	cells := strings.Split(rows[n][1], "|")
	for i := range cells {
		cells[i] = strings.TrimSpace(cells[i])
	}
	return cells
}

// The settings of docs/measures.md are those in force, and its chances and
// medians are what exact run lengths give for them.
func TestMeasuresAreThoseInForce(t *testing.T) {
	text := readDoc(t, "docs/measures.md")
	if !strings.Contains(text, "version **"+department.Definition+"**") {
		t.Errorf("docs/measures.md isn't of version %s", department.Definition)
	}
	percent := func(p float64, places int) string { return fmt.Sprintf("%.*f %%", places, 100*p) }
	for _, d := range append(slices.Clone(alarm.Standards), alarm.DepartmentStandards()...) {
		design, err := measure.NewDesign(measure.DesignRequest{Acceptable: d.Acceptable, Unacceptable: d.Unacceptable,
			Threshold: d.Threshold, Kind: measure.Kind(d.Kind)})
		if err != nil {
			t.Fatal(d.Code, err)
		}
		fewest, err := measure.Chart{Scores: design.Scores, Threshold: design.Threshold}.FewestCases()
		if err != nil {
			t.Fatal(d.Code, err)
		}
		closes := "never"
		if d.ClosesAfter > 0 {
			closes = fmt.Sprint(d.ClosesAfter)
		}
		settings := []string{fmt.Sprintf("%g %%", math.Round(1000*d.Acceptable)/10), percent(d.Unacceptable, 2), fmt.Sprintf("%.2f", d.Threshold), fmt.Sprint(fewest), closes}
		if got := tableRow(t, text, d.Code, 0); !slices.Equal(got, settings) {
			t.Errorf("settings of %s: docs say %q, in force is %q", d.Code, got, settings)
		}
		var does []string
		for _, r := range []measure.RunLength{design.InControl, design.OutOfControl} {
			by := map[int]float64{}
			for _, w := range r.AlarmWithin {
				by[w.Cases] = w.Chance
			}
			does = append(does, percent(by[100], 1), percent(by[300], 1), fmt.Sprintf("%.0f", r.MedianRunLength))
		}
		if got := tableRow(t, text, d.Code, 1); !slices.Equal(got, does) {
			t.Errorf("%s: docs say %q, exact is %q", d.Code, got, does)
		}
	}
	examples := ""
	for _, file := range []string{"example_test.go", "example_rates_test.go", "example_vision_test.go", "compare_example_test.go"} {
		examples += readDoc(t, "projections/measure/"+file)
	}
	named := regexp.MustCompile("`(Example[A-Za-z]+)`").FindAllStringSubmatch(text, -1)
	for _, m := range named {
		if !strings.Contains(examples, "func "+m[1]+"()") {
			t.Errorf("docs/measures.md names %s, which isn't compiled", m[1])
		}
	}
	if len(named) < 3 {
		t.Errorf("only %d worked examples are named", len(named))
	}
}

// tour makes a script of the README's tour: its commands as they stand, and each
// line "# -> x" as a check that the last answer has x in it.
func tour(readme string) string {
	_, text, _ := strings.Cut(readme, "\n## A five-minute tour\n")
	text, _, _ = strings.Cut(text, "\n## ")
	var script strings.Builder
	script.WriteString("set -u\nfailed=0\n")
	for i, m := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(text, -1) {
		for _, line := range strings.SplitAfter(m[1], "\n") {
			if want, ok := strings.CutPrefix(strings.TrimSpace(line), "# -> "); ok {
				line = "expect '" + want + "'\n"
			}
			script.WriteString(line)
		}
		if i == 0 {
			script.WriteString(`eval "answer_$(declare -f ask)"
ask() { last=$(answer_ask "$@"); }
expect() { case $last in *"$1"*) ;; *) echo "not found: $1 in: ${last:0:600}"; failed=1 ;; esac; }
`)
		}
	}
	script.WriteString("exit $failed\n")
	return script.String()
}

// The README's tour works as it stands, and afterwards the program has every
// metric that an alert watches.
func TestTour(t *testing.T) {
	w := newWorld(t, nil)
	data := t.TempDir()
	if err := writePersonas(filepath.Join(data, "personas.json"), w.issuer); err != nil {
		t.Fatal(err)
	}
	script := tour(readDoc(t, "README.md"))
	if n := strings.Count(script, "expect '"); n < 12 {
		t.Fatalf("the tour expects only %d answers", n)
	}
	run := exec.CommandContext(t.Context(), "bash", "-c", script)
	run.Env = append(os.Environ(), "DEMO="+data, "LL="+w.url)
	if out, err := run.CombinedOutput(); err != nil {
		t.Errorf("the tour (it needs bash, sed and curl): %v\n%s", err, out)
	}
	w.checkBooks(t)

	metrics, err := exec.CommandContext(t.Context(), "curl", "-sS", w.url+"/metrics").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range regexp.MustCompile(`lensledger_[a-z_]+[a-z]`).FindAllString(readDoc(t, "deploy/prometheus/rules.yaml"), -1) {
		family := strings.TrimSuffix(name, "_bucket")
		if name == "lensledger_http" { // named in the file's comment
			continue
		}
		if !strings.Contains(string(metrics), "\n# TYPE "+family+" ") {
			t.Errorf("an alert watches %s, which the program doesn't have", name)
		}
	}
	tokens := map[string]string{}
	if err := json.Unmarshal(mustRead(t, filepath.Join(data, "personas.json")), &tokens); err != nil || len(tokens) != len(personas) {
		t.Errorf("%d tokens for %d people, %v", len(tokens), len(personas), err)
	}
}

func mustRead(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}
