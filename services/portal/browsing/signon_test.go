package browsing

import (
	"context"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/services/access/accesstest"
)

// served is the real program as it runs in a department: `serve` with servers by
// address, and people who sign in at an OpenID provider of another site.
type served struct {
	*site
	provider *accesstest.Provider
	database string // address
}

// serve starts it with a small invented registry. The pages are at 127.0.0.1 and the
// provider at localhost, which browsers take for two sites.
func serve(t *testing.T) served {
	t.Helper()
	if testing.Short() {
		t.Skip("-short leaves out what needs servers and a browser")
	}
	binary, err := program()
	if err != nil {
		t.Fatal(err)
	}
	postgres, err := pg.StartServer(t.Context(), pg.ServerConfig{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = postgres.Close() })
	nats, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), AdminPassword: "pass-for-this-test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nats.Close)
	listener, err := net.Listen("tcp", "127.0.0.1:0") // the address is part of the registration
	if err != nil {
		t.Fatal(err)
	}
	s := served{&site{listen: listener.Addr().String()}, accesstest.New(t, "localhost"), postgres.URL()}
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	s.URL = "http://" + s.listen
	s.provider.Client = accesstest.Client{ID: "lensledger", Secret: "for this test", Redirect: s.URL + "/sign-in/answer"}
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("for this test\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	environment := append(os.Environ(), "DATABASE_URL="+s.database, "LENSLEDGER_STREAM_MAX_BYTES=268435456",
		"NATS_URL="+strings.Replace(nats.ClientURL(), "nats://", "nats://lensledger:pass-for-this-test@", 1),
		"LENSLEDGER_ISSUERS="+s.provider.URL+"|programs|"+s.provider.URL+"/keys", "LENSLEDGER_PUBLIC_URL="+s.URL,
		"LENSLEDGER_SIGN_ON_ISSUER="+s.provider.URL, "LENSLEDGER_SIGN_ON_CLIENT=lensledger", "LENSLEDGER_SIGN_ON_SECRET_FILE="+secret)
	simulate := exec.Command(binary, "simulate", "--publish", "--cases", "400")
	simulate.Env = environment
	if out, err := simulate.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	s.program = exec.Command(binary, "serve", "--project", "--listen", s.listen)
	s.program.Env = environment
	said := &strings.Builder{}
	s.program.Stderr = said
	if err := s.program.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = s.program.Process.Signal(syscall.SIGTERM) // it may have ended
		_ = s.program.Wait()
		if t.Failed() {
			t.Logf("%.3000s", said)
		}
	})
	for deadline := time.Now().Add(patience); ; {
		answer, err := http.Get(s.URL + "/readyz")
		if err == nil {
			answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return s
			}
		}
		if time.Now().After(deadline) {
			t.Fatalf("not ready: %v", err)
		}
		time.Sleep(100 * time.Millisecond) // between two looks at a port that isn't open yet
	}
}

// arrive waits until the browser is at an address that begins so, and all of the page
// is there. It asks from outside: without script a page can't wait for itself.
func (b *browser) arrive(prefix string) {
	b.t.Helper()
	var at string
	for deadline := time.Now().Add(patience / 3); !strings.HasPrefix(at, prefix); {
		if time.Now().After(deadline) {
			b.t.Fatalf("at %q, not at %s", at, prefix)
		}
		ctx, cancel := context.WithTimeout(b.ctx, patience/3)
		// While a page gives way to the next one there is nothing to ask.
		at, _ = chromedp.Run(ctx, chromedp.Evaluate[string](`document.readyState === "complete" ? location.href : ""`))
		cancel()
		time.Sleep(50 * time.Millisecond) // between two looks
	}
}

// A trainer signs in at the sign-on service, whose answer comes from another site;
// the session ends while a review is being written, and nothing of it is lost.
func TestSignOnInABrowser(t *testing.T) {
	s := serve(t)
	s.provider.Person = map[string]any{"sub": "f3a1", "role": "trainer", "surgeon": "C-01", "departments": []string{"HARBOUR"},
		"supervises": []string{"S-009", "S-010", "S-011", "S-012", "S-013", "S-014", "S-015", "S-016", "S-017", "S-018", "S-019", "S-020"}}
	b := s.browse(t, how{NoScript: true, Forgive: regexp.MustCompile(`request to another host: http://localhost:|Failed to load resource: the server responded with a status of 40[13]|localhost:\d+/favicon.ico`)})
	b.Goto("/my/reviews")
	b.See(`form[action="/sign-out"]`)
	if at := b.Path(); at != "/my/reviews" {
		t.Fatalf("signed in and led to %s", at)
	}
	for deadline := time.Now().Add(patience / 2); eval[int](b, `document.querySelectorAll('main a[href^="/cases/"]').length`) == 0; b.Goto("/my/reviews") {
		if time.Now().After(deadline) { // the service is ready before it has read all
			t.Fatalf("no case to review: %s", b.See("main"))
		}
	}
	b.Press(`main a[href^="/cases/"]`)
	b.arrive(s.URL + "/cases/")
	eval[string](b, `document.querySelector('select[name="at_this_stage"]').value = "as"`)
	eval[string](b, `document.querySelector('textarea[name="agreed_action"]').value = `+quoted(`Slow the "pull" <down>`))

	pool, err := pg.Connect(t.Context(), s.database, "registry", 1)
	if err != nil {
		t.Fatal(err)
	}
	defer pool.Close()
	if gone, err := pool.Exec(t.Context(), "DELETE FROM session"); err != nil || gone.RowsAffected() != 1 {
		t.Fatalf("%v %v", gone, err)
	}
	b.Press(`form[action$="/reviews"] button[type="submit"]`)
	b.See(`a[href="/sign-in"][target="_blank"]`)
	if text := b.See("main"); !strings.Contains(text, `Slow the "pull" <down>`) {
		t.Errorf("lost: %s", text)
	}
}

// The door and the page for what isn't there fit a small screen and pass axe-core.
func TestPagesOfSigningIn(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{Width: 320, Forgive: regexp.MustCompile(`status of 40[149]`)})
	for _, path := range []string{"/sign-in?to=/my/charts", "/nowhere"} {
		b.Goto(path)
		b.See("h1")
		b.Accessible()
		b.Fits()
	}
}
