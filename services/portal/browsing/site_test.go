package browsing

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// patience bounds every wait: nothing here is a test of speed.
const patience = 3 * time.Minute

// cases is the size of the demo that the tests share: the usual scenario, small.
const cases = 600

func TestMain(m *testing.M) {
	code := m.Run()
	stopChrome()
	shared.stop()
	os.Exit(code)
}

// site is one running program with a registry of its own.
type site struct {
	URL    string
	Tokens map[string]string // bearer tokens of the demo's invented people, by persona

	dir     string
	program *exec.Cmd
	listen  string
}

// shared is the demo that tests read from and add to; a test that stops it, or
// counts what others may add, starts one of its own.
var shared lazySite

type lazySite struct {
	once sync.Once
	site *site
	err  error
}

// demo gives the shared demo, and starts it for the first test that asks.
func demo(t testing.TB) *site {
	t.Helper()
	if testing.Short() {
		t.Skip("-short leaves out what needs servers and a browser")
	}
	shared.once.Do(func() { shared.site, shared.err = start(cases) })
	if shared.err != nil {
		t.Fatal(shared.err)
	}
	return shared.site
}

func (l *lazySite) stop() {
	if l.site != nil {
		l.site.Stop()
	}
	if built.dir != "" {
		_ = os.RemoveAll(built.dir)
	}
}

// ownDemo starts a demo for one test.
func ownDemo(t testing.TB, cases int) *site {
	t.Helper()
	if testing.Short() {
		t.Skip("-short leaves out what needs servers and a browser")
	}
	s, err := start(cases)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	return s
}

// built is the program, built once.
var built struct {
	once sync.Once
	dir  string
	err  error
}

func program() (string, error) {
	built.once.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "lensledger-browsing-"); built.err != nil {
			return
		}
		out, err := exec.Command("go", "build", "-trimpath", "-o", built.dir, "lensledger/services/lensledger").CombinedOutput()
		if err != nil {
			built.err = fmt.Errorf("build the program: %w\n%s", err, out)
		}
	})
	return filepath.Join(built.dir, "lensledger"), built.err
}

func start(cases int) (*site, error) {
	dir, err := os.MkdirTemp("", "lensledger-site-")
	if err != nil {
		return nil, err
	}
	// The database runs as another user where this one is root.
	if err := os.Chmod(dir, 0o755); err != nil {
		return nil, err
	}
	s := &site{dir: dir, listen: "127.0.0.1:0"}
	if err := s.run("--cases", fmt.Sprint(cases)); err != nil {
		s.Stop()
		return nil, err
	}
	text, err := os.ReadFile(filepath.Join(dir, "personas.json"))
	if err == nil {
		err = json.Unmarshal(text, &s.Tokens)
	}
	if err != nil {
		s.Stop()
		return nil, fmt.Errorf("read the demo's tokens: %w", err)
	}
	return s, nil
}

var answersAt = regexp.MustCompile(`answers at (http://[^/]+)/`)

// run starts the program and waits until it says where it answers.
func (s *site) run(flags ...string) error {
	binary, err := program()
	if err != nil {
		return err
	}
	s.program = exec.Command(binary, append([]string{"demo", "--data", s.dir, "--listen", s.listen}, flags...)...)
	said, err := s.program.StderrPipe()
	if err != nil {
		return err
	}
	if err := s.program.Start(); err != nil {
		return fmt.Errorf("start the demo: %w", err)
	}
	found := make(chan error, 1)
	go func() {
		var all []string
		lines := bufio.NewScanner(said)
		for lines.Scan() {
			all = append(all, lines.Text())
			if at := answersAt.FindStringSubmatch(lines.Text()); at != nil {
				s.URL = at[1]
				found <- nil
				_, _ = io.Copy(io.Discard, said)
				return
			}
		}
		found <- fmt.Errorf("the demo ended before it answered:\n%s", strings.Join(all, "\n"))
	}()
	select {
	case err = <-found:
	case <-time.After(patience):
		err = errors.New("the demo doesn't say where it answers")
	}
	if err == nil {
		s.listen = strings.TrimPrefix(s.URL, "http://")
	}
	return err
}

// Restart stops the program and starts it again on the same registry and address.
func (s *site) Restart(t testing.TB) {
	t.Helper()
	s.halt()
	if err := s.run(); err != nil {
		t.Fatal(err)
	}
}

func (s *site) halt() {
	if s.program == nil || s.program.Process == nil {
		return
	}
	_ = s.program.Process.Signal(syscall.SIGTERM)
	_ = s.program.Wait() // how it ends is another test's matter
	s.program = nil
}

// Stop ends the program and removes its registry.
func (s *site) Stop() {
	s.halt()
	_ = os.RemoveAll(s.dir)
}

// API asks the API as a persona; the answer has to be a 2xx.
func (s *site) API(t testing.TB, persona, method, path, body string) []byte {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, s.URL+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+s.Tokens[persona])
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	text, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode/100 != 2 {
		t.Fatalf("%s %s as %s: %s, %v\n%s", method, path, persona, answer.Status, err, text)
	}
	return text
}
