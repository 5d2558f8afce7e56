package browsing

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser is one person's browser: its own cookies and storage. What the console
// complains of, and every request to another host, fails the test.
type browser struct {
	t    testing.TB
	ctx  context.Context
	site *site

	mu       sync.Mutex
	faults   []string
	forgiven *regexp.Regexp
}

// how a browser differs from the usual.
type how struct {
	NoScript bool
	Width    int64          // of the screen, in CSS pixels; 0 is 1,280
	Dark     bool           // the person prefers dark colours
	Forgive  *regexp.Regexp // faults that the test itself provokes
}

// chromium finds the browser: Debian's, or what CHROMIUM names.
func chromium() (string, error) {
	if path := os.Getenv("CHROMIUM"); path != "" {
		return path, nil
	}
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path, nil
		}
	}
	return "", fmt.Errorf("no Chromium on the PATH: install it (apt-get install chromium), or name it in CHROMIUM")
}

// chrome is the one Chromium that all tests share: each opens a window of its own in
// it, with its own cookies and storage. Starting one costs seconds.
var chrome struct {
	sync.Mutex
	ctx  context.Context // nil while none runs
	stop func()
}

// window opens a window in the shared Chromium, which is started where none runs.
// hear is told of what happens in it.
func window(t testing.TB, hear func(event any)) context.Context {
	t.Helper()
	path, err := chromium()
	if err != nil {
		t.Fatal(err)
	}
	chrome.Lock()
	defer chrome.Unlock()
	// Chromium now and then ends as it starts on a busy machine: what it then says
	// is none of ours.
	for again := 0; ; again++ {
		if chrome.ctx == nil {
			options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.DisableGPU,
				chromedp.NoSandbox, // it can't be had as root, and nothing but our own pages is opened
				chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
			ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
			ctx, closeFirst := chromedp.NewContext(ctx)
			chrome.ctx, chrome.stop = ctx, func() { closeFirst(); stop() }
			err = chromedp.Listen(ctx, func(any) {}) // starts it
		}
		if err == nil {
			ctx, closeWindow := chromedp.NewContext(chrome.ctx, chromedp.WithNewBrowserContext())
			if err = chromedp.Listen(ctx, hear); err == nil {
				t.Cleanup(closeWindow)
				return ctx
			}
			closeWindow()
		}
		chrome.stop()
		chrome.ctx = nil
		if again == 3 {
			t.Fatal(err)
		}
		t.Logf("Chromium didn't start: %v", err)
		err = nil
	}
}

// stopChrome ends the shared Chromium.
func stopChrome() {
	chrome.Lock()
	defer chrome.Unlock()
	if chrome.ctx != nil {
		chrome.stop()
		chrome.ctx = nil
	}
}

// browse opens a browser on the site.
func (s *site) browse(t testing.TB, h how) *browser {
	t.Helper()
	b := &browser{t: t, site: s, forgiven: h.Forgive}
	b.ctx = window(t, b.hear)
	if h.Width == 0 {
		h.Width = 1280
	}
	scheme := "light"
	if h.Dark {
		scheme = "dark"
	}
	b.Do(command(network.Enable, network.EnableParams{}), command(log.Enable, cdp.Empty{}), command(runtime.Enable, cdp.Empty{}),
		chromedp.EmulateViewport(h.Width, 900),
		command(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}),
		command(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: h.NoScript}))
	t.Cleanup(b.check)
	return b
}

// command makes an action of a command of the protocol.
func command[P, R any](c cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, c, params)
		return err
	})
}

// hear notes what has no place on a page of ours.
func (b *browser) hear(event any) {
	var fault string
	switch e := event.(type) {
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			fault = fmt.Sprintf("%s: %s %s", e.Entry.Level, e.Entry.Text, e.Entry.URL)
		}
	case *runtime.EventExceptionThrown:
		fault = "exception: " + e.ExceptionDetails.Text
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			fault = fmt.Sprintf("console: %v", e.Args)
		}
	case *network.EventRequestWillBeSent:
		u, err := url.Parse(e.Request.URL)
		if err != nil || (u.Scheme == "http" || u.Scheme == "https") && "http://"+u.Host != b.site.URL {
			fault = "request to another host: " + e.Request.URL
		}
	}
	if fault == "" || b.forgiven != nil && b.forgiven.MatchString(fault) {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, fault)
}

func (b *browser) check() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.faults {
		b.t.Errorf("browser: %s", f)
	}
}

// Do runs actions that give nothing; a failure ends the test with what the page
// shows.
func (b *browser) Do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	run(b, chromedp.Steps(actions...))
}

// run runs one action and gives its value; a failure ends the test with what the
// page shows.
func run[T any](b *browser, action chromedp.Action[T]) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	value, err := chromedp.Run(ctx, action)
	// A live page may exchange an element between being found and being used.
	for again := 0; err != nil && again < 5 && strings.Contains(err.Error(), "No node with given id"); again++ {
		value, err = chromedp.Run(ctx, action)
	}
	if err != nil {
		after, cancel := context.WithTimeout(b.ctx, patience)
		defer cancel()
		text, _ := chromedp.Run(after, chromedp.Text(chromedp.CSS("body"))) // what there is helps
		b.t.Fatalf("%v\nthe page: %.3000s", err, text)
	}
	return value
}

// Goto opens a page of the site, or another address where it begins with http.
func (b *browser) Goto(path string) {
	b.t.Helper()
	b.Do(chromedp.Navigate(b.site.URL + path))
}

// SignIn picks one of the demo's invented people at the door.
func (b *browser) SignIn(persona string) {
	b.t.Helper()
	b.Goto("/")
	b.Press(`button[name="persona"][value="` + persona + `"]`)
	b.See(`form[action="/sign-out"]`)
}

// Press clicks what a selector finds, and waits for it to be there first.
func (b *browser) Press(selector string) {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(chromedp.CSS(selector)))
	b.still()
	b.Do(chromedp.Click(chromedp.CSS(selector)))
}

// still waits until nothing on the page moves any more: a click goes to a place, and a
// drawing that comes in between moves what was there.
func (b *browser) still() {
	b.t.Helper()
	b.Until(`document.readyState === "complete" && !document.querySelector('figure[data-state="reading"]')`)
}

// Follow clicks the link with these words.
func (b *browser) Follow(words string) {
	b.t.Helper()
	xpath := fmt.Sprintf(`//a[normalize-space(.)=%q]`, words)
	b.Do(chromedp.WaitVisible(chromedp.Search(xpath)))
	b.still()
	b.Do(chromedp.Click(chromedp.Search(xpath)))
}

// Type fills a field.
func (b *browser) Type(selector, text string) {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(chromedp.CSS(selector)))
	eval[string](b, fmt.Sprintf(`document.querySelector(%s).value = ""`, quoted(selector)))
	b.Do(chromedp.SendKeys(chromedp.CSS(selector), text))
}

// Choose picks an option of a select by its value.
func (b *browser) Choose(selector, value string) {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(chromedp.CSS(selector)))
	if got := eval[string](b, fmt.Sprintf(`(e => { e.value = %s; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value })(document.querySelector(%s))`,
		quoted(value), quoted(selector))); got != value {
		b.t.Fatalf("%s has no option %q", selector, value)
	}
}

// See waits until a selector finds something visible, and gives its text.
func (b *browser) See(selector string) string {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(chromedp.CSS(selector)))
	return strings.TrimSpace(run(b, chromedp.Text(chromedp.CSS(selector))))
}

// SeeWords waits until the page's main part holds the words.
func (b *browser) SeeWords(words string) {
	b.t.Helper()
	b.Until(fmt.Sprintf(`document.querySelector("main").innerText.includes(%s)`, quoted(words)))
}

// eval gives the value of an expression.
func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	return run(b, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// Until waits until an expression is true, on whatever page the browser is by then.
func (b *browser) Until(expression string) {
	b.t.Helper()
	run(b, func(ctx context.Context, t *chromedp.Target) (bool, error) {
		for {
			ok, err := chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(patience))(ctx, t)
			if err == nil || ctx.Err() != nil || !elsewhere.MatchString(err.Error()) {
				return ok, err
			}
		}
	})
}

// elsewhere is said of what was asked of a page that the browser has left since.
var elsewhere = regexp.MustCompile(`navigated|context was destroyed|Cannot find context|null \(reading 'innerText'\)`)

// Path is where the browser is: path and query.
func (b *browser) Path() string {
	b.t.Helper()
	return eval[string](b, `location.pathname + location.search`)
}

func quoted(s string) string {
	out, _ := json.Marshal(s) // a string can't fail
	return string(out)
}

var axe = sync.OnceValues(func() (string, error) {
	f, err := os.Open(filepath.Join("testdata", "axe.min.js.gz"))
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		return "", err
	}
	text, err := io.ReadAll(z)
	return string(text), err
})

// finding is what axe-core holds against a page.
type finding struct {
	ID, Impact, Help string
	Nodes            []struct{ HTML string }
}

// Accessible fails the test for every finding of axe-core that is serious or
// critical, by the rules of WCAG 2.2 at levels A and AA and its best practices.
func (b *browser) Accessible() {
	b.t.Helper()
	source, err := axe()
	if err != nil {
		b.t.Fatal(err)
	}
	eval[int](b, source+";0")
	findings := eval[[]finding](b, `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.map(v =>
		({ID: v.id, Impact: v.impact, Help: v.help, Nodes: v.nodes.slice(0, 3).map(n => ({HTML: n.html}))})))`)
	for _, f := range findings {
		if f.Impact == "serious" || f.Impact == "critical" {
			b.t.Errorf("%s: %s: %s: %s %v", b.Path(), f.Impact, f.ID, f.Help, f.Nodes)
		}
	}
}

// Fits fails the test if the page has to be scrolled sideways.
func (b *browser) Fits() {
	b.t.Helper()
	if over := eval[float64](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		b.t.Errorf("%s is %.0f px wider than the screen", b.Path(), over)
	}
}

var pdfPage = regexp.MustCompile(`/Type\s*/Page[^s]`)

// Print prints the page to A4 and gives the number of pages.
func (b *browser) Print() int {
	b.t.Helper()
	pdf := run(b, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
	if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
		b.t.Fatalf("%s printed %d bytes that are no PDF", b.Path(), len(pdf))
	}
	return len(pdfPage.FindAll(pdf, -1))
}
