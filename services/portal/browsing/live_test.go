package browsing

import (
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// publish files one more operation, and waits until the rows have it.
func (s *site) publish(t *testing.T, code string) {
	t.Helper()
	event := func(n int, noun, at, data string) string {
		return fmt.Sprintf(`{"specversion":"1.0","id":"%s-%d","source":"ehr-harbour","type":"lensledger.case.%s.v1","subject":%q,"department":"HARBOUR","time":"2025-03-12T10:%s:00+00:00","data":%s}`,
			code, n, noun, code, at, data)
	}
	events := event(1, "started", "02", `{"responsible_consultant":"C-01","first_operator":"S-014","supervision":"scrubbed"}`) + "\n" + event(2, "finished", "31", "{}") + "\n"
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+"/v1/events?wait=projected", strings.NewReader(events))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+s.Tokens["integrator"])
	r.Header.Set("Content-Type", "application/x-ndjson")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close()
	if answer.StatusCode != http.StatusAccepted {
		t.Fatalf("publish %s: %s", code, answer.Status)
	}
}

func (b *browser) position() int {
	b.t.Helper()
	return eval[int](b, `Number(document.documentElement.dataset.position)`)
}

// live waits for the state of the line that says whether a page is of now.
func (b *browser) live(state string) string {
	b.t.Helper()
	b.Until(fmt.Sprintf(`document.getElementById("live").dataset.state === %s`, quoted(state)))
	return b.See("#live")
}

// An open page shows what is new by itself, and keeps what its reader has done to it:
// what is open stays open, the focus and the scroll stay, and the drawing with its
// cursor. What somebody types is never taken from them.
func TestLivePage(t *testing.T) {
	s := ownDemo(t, 300)
	b := s.browse(t, how{})
	b.SignIn("quality")
	b.Goto("/departments/HARBOUR?" + "from=2024-01&to=2025-12")
	if said := b.live("live"); !strings.HasPrefix(said, "Live") {
		t.Errorf("the line says %q", said)
	}
	b.Until(`document.querySelector("figure[data-drawing]").dataset.state === "drawn"`)
	b.Press("figure details summary")
	b.Do(chromedp.Focus(chromedp.CSS(`figure [data-key="3"]`)))
	eval[bool](b, `(window.sameFigure = document.querySelector("figure"), window.sameTable = document.querySelector("table"), window.scrollTo(0, 700), true)`)
	before, scroll := b.position(), eval[float64](b, `scrollY`)
	counted := `[...document.querySelectorAll("tr")].find(r => r.innerText.startsWith("Operations counted")).innerText`
	figures := eval[string](b, counted)
	s.publish(t, "LIVE-1")
	b.Until(fmt.Sprintf(`Number(document.documentElement.dataset.position) > %d`, before))
	if now := eval[string](b, counted); now == figures {
		t.Errorf("the page is of another position and still says %q", now)
	}
	for what, holds := range map[string]string{
		"the details are open":    `document.querySelector("figure details").open`,
		"the figure is the same":  `document.querySelector("figure") === window.sameFigure`,
		"the table is the same":   `document.querySelector("table") === window.sameTable`,
		"it is still drawn":       `document.querySelectorAll("figure svg").length === 1`,
		"the mark has the focus":  `document.activeElement.dataset.key === "3"`,
		"the main part is one":    `document.querySelectorAll("main").length === 1`,
		"the line says it's live": `document.getElementById("live").dataset.state === "live"`,
	} {
		b.Until(holds)
		_ = what
	}
	if now := eval[float64](b, `scrollY`); now < scroll-60 || now > scroll+60 {
		t.Errorf("the page scrolled from %.0f to %.0f", scroll, now)
	}
	b.Accessible()

	before = b.position()
	b.Do(chromedp.SendKeys(chromedp.CSS("#as-of"), "12"))
	s.publish(t, "LIVE-2")
	b.live("waiting")
	if typed, at := eval[string](b, `document.getElementById("as-of").value`), b.position(); typed != "12" || at != before {
		t.Errorf("while somebody types the page moved from %d to %d, and the field holds %q", before, at, typed)
	}
	b.Accessible()
	b.Press("#live button")
	b.live("live")
	if typed, at := eval[string](b, `document.getElementById("as-of").value`), b.position(); typed != "12" || at <= before {
		t.Errorf("asked for what is new, the page is of %d (before %d), and the field holds %q", at, before, typed)
	}

	// A page of an earlier state isn't live.
	b.Goto("/departments/HARBOUR?from=2024-01&to=2025-12&as_of=5")
	if n := eval[int](b, `document.querySelectorAll("#live").length`); n != 0 {
		t.Error("a page of an earlier state says that it is live")
	}
}

// When the service is away the page says since when, and comes back by itself; when
// the session has ended it asks to sign in again.
func TestLivePageLosesTheService(t *testing.T) {
	s := ownDemo(t, 300)
	lost := regexp.MustCompile(`ERR_|Failed to load resource|status of (401|502|503)`)
	b := s.browse(t, how{Forgive: lost})
	b.SignIn("trainee")
	b.Goto("/my/progress")
	b.live("live")
	before := b.position()
	s.halt()
	if said := b.live("stale"); !regexp.MustCompile(`^Stale since \d\d:\d\d: `).MatchString(said) {
		t.Errorf("the line says %q", said)
	}
	if err := s.run(); err != nil {
		t.Fatal(err)
	}
	t.Log("the program answers again")
	b.live("live")
	s.publish(t, "LIVE-3")
	b.Until(fmt.Sprintf(`Number(document.documentElement.dataset.position) > %d`, before))

	b.Do(command(network.ClearBrowserCookies, cdp.Empty{}))
	s.publish(t, "LIVE-4")
	if said := b.live("ended"); !strings.Contains(said, "Sign in again") {
		t.Errorf("the line says %q", said)
	}
	b.Accessible()
}
