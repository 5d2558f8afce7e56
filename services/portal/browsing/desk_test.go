package browsing

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// press clicks the button with these words.
func (b *browser) press(words string) {
	b.t.Helper()
	button := chromedp.Search(fmt.Sprintf(`//main//button[normalize-space(.)=%q]`, words))
	b.Do(chromedp.WaitVisible(button))
	b.still()
	b.Do(chromedp.Click(button))
}

// usable holds a page against accessibility, where a script may run to do so, and
// against the width of the screen.
func (b *browser) usable(h how) {
	b.t.Helper()
	b.Fits()
	if !h.NoScript {
		b.Accessible()
	}
}

// paste puts a text into a field in place of what is there.
func (b *browser) paste(selector, text string) {
	b.t.Helper()
	b.See(selector)
	eval[int](b, fmt.Sprintf(`(document.querySelector(%s).value = %s, 0)`, quoted(selector), quoted(text)))
}

// read waits for a page whose main part holds the words in one of its paragraphs, lists
// or code.
func (b *browser) read(words string) {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(chromedp.Search(fmt.Sprintf(`//main//*[self::p or self::li or self::code][contains(normalize-space(.), %q)]`, words))))
}

// The auditor: from signing in to a file of the chosen departments, what it was made
// of, the record that it left, its bytes made again, and what changed since.
func TestAuditorTakesFiguresAway(t *testing.T) {
	s := demo(t)
	for _, h := range []how{{}, {NoScript: true, Width: 320}} {
		t.Run(fmt.Sprintf("%+v", h), func(t *testing.T) {
			b := s.browse(t, how{NoScript: h.NoScript, Width: h.Width, Forgive: unprocessable})
			b.SignIn("auditor")
			b.Follow("Figures side by side")
			b.read("Figures of 3 departments")
			b.Press("#departments-FENLAND")
			b.press("Show")
			b.read("Figures of 2 departments")
			if path := b.Path(); !strings.Contains(path, "departments=HARBOUR&departments=MOORLAND") || !strings.Contains(path, "from=20") {
				t.Errorf("the address doesn't say what was asked: %s", path)
			}
			b.usable(h)
			if n := b.Print(); n < 1 || n > 8 {
				t.Errorf("the figures print on %d pages", n)
			}

			// The bytes of the link are those of the API, and have the digest of the manifest.
			file := eval[string](b, `document.querySelector("main a[href^='/figures.json']").getAttribute("href")`)
			const digest = `async p => { const r = await fetch(p); const d = await crypto.subtle.digest("SHA-256", await r.arrayBuffer());
				return [...new Uint8Array(d)].map(x => x.toString(16).padStart(2, "0")).join("") }`
			api := s.API(t, "auditor", "GET", strings.Replace(file, "/figures.json", "/v1/figures", 1), "")
			var f struct {
				Total struct {
					Operations *int `json:"operations"`
				} `json:"total"`
			}
			if err := json.Unmarshal(api, &f); err != nil || f.Total.Operations == nil {
				t.Fatalf("%v %s", err, api)
			}
			text := strings.ReplaceAll(eval[string](b, `document.querySelector("main").textContent`), ",", "")
			if !strings.Contains(text, fmt.Sprintf("Figures of 2 departments: %d operations counted.", *f.Total.Operations)) {
				t.Errorf("the page doesn't say the API's %d operations", *f.Total.Operations)
			}
			if h.NoScript {
				// The browser can't work out a digest without a script.
			} else if got := eval[string](b, `(`+digest+`)(`+quoted(file)+`)`); !strings.Contains(text, got) {
				t.Errorf("%s has the digest %s, which no manifest of the page says", file, got)
			}

			b.press("Record that the file for a program (JSON) left the departments")
			b.read("The release is recorded.")
			b.usable(h)
			b.Press(`main a[href^="/figures/releases?release="]`)
			b.read("The same to the byte")
			b.usable(h)
			b.Follow("These figures as a page, with their files")
			b.Follow("What changed since the position of this page")
			b.read("by reason: no case.") // a release moves no figure
			b.usable(h)
			b.Do(chromedp.SendKeys(chromedp.CSS("#after"), "yesterday"))
			b.press("Show")
			b.read("Later moment: give a position")
			if typed := eval[string](b, `document.querySelector("#after").value`); typed != "yesterday" {
				t.Errorf("what was typed is %q now", typed)
			}
		})
	}
}

// The integrator: from signing in to an event that is known to be right before it is
// sent.
func TestIntegratorChecksEvents(t *testing.T) {
	s := demo(t)
	event := func(vitreous string) string {
		return `{"specversion":"1.0","id":"b1c7-02","source":"ehr-harbour","type":"lensledger.complication.recorded.v1","subject":"HB-2025-00417","department":"HARBOUR",` +
			`"time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json","data":{"kind":"posterior-capsule-rupture","vitreous":"` + vitreous + `"}}`
	}
	for _, h := range []how{{}, {NoScript: true, Width: 320}} {
		t.Run(fmt.Sprintf("%+v", h), func(t *testing.T) {
			b := s.browse(t, how{NoScript: h.NoScript, Width: h.Width, Forgive: unprocessable})
			b.SignIn("integrator")
			b.Follow("Intake")
			b.read("accepted")
			var before, after struct {
				N       int `json:"n"`
				Sources []struct {
					Counts map[string]int `json:"counts"`
				} `json:"sources"`
			}
			if err := json.Unmarshal(s.API(t, "integrator", "GET", "/v1/intake", ""), &before); err != nil {
				t.Fatal(err)
			}
			text := strings.ReplaceAll(eval[string](b, `document.querySelector("main").textContent`), ",", "")
			if want := fmt.Sprintf("%d accepted", before.Sources[0].Counts["accepted"]); !strings.Contains(text, want) {
				t.Errorf("the page doesn't say the API's %s", want)
			}
			b.paste("#events", event("gel"))
			b.press("Check, and store nothing")
			b.read("Would be refused")
			b.read("/data/vitreous")
			if typed := eval[string](b, `document.querySelector("#events").value`); typed != event("gel") {
				t.Errorf("what was pasted is %q now", typed)
			}
			b.usable(h)
			b.paste("#events", event("loss"))
			b.press("Check, and store nothing")
			b.read("1 would be taken, 0 refused. Nothing was stored.")
			if err := json.Unmarshal(s.API(t, "integrator", "GET", "/v1/intake", ""), &after); err != nil || after.N != before.N {
				t.Errorf("%d events before, %d after: %v", before.N, after.N, err)
			}
		})
	}
}

// unprocessable is what the browser says of a page that answers 422.
var unprocessable = regexp.MustCompile(`status of 422`)
