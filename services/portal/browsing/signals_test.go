package browsing

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// The quality officer's task: see what changed since the last meeting, look at the
// chart and the cases that moved it, acknowledge the signal, give it to an owner,
// close it with a finding. On a small screen.
func TestSignalFromCrossingToFinding(t *testing.T) {
	s := demo(t)
	const surgeon = "S-900"
	lines := ruptures(surgeon, "SIG")
	for _, line := range lines {
		s.API(t, "integrator", "POST", "/v1/events?wait=projected", line)
	}

	b := s.browse(t, how{Width: 320})
	b.SignIn("quality")
	b.Goto("/alarms")
	b.SeeWords("Capsule rupture, surgeon " + surgeon)
	b.Accessible()
	b.Fits()

	b.Goto("/charts?surgeon=" + surgeon + "&outcome=capsule-rupture&kind=detection")
	b.SeeWords("Crossed its line, for review: case number ")
	b.SeeWords("SIG-0")
	b.Accessible()
	b.Fits()
	b.Goto("/departments/HARBOUR/charts?outcome=capsule-rupture")
	b.SeeWords("Capsule rupture: surgeon " + surgeon)
	b.Accessible()
	b.Fits()

	b.Goto("/alarms")
	code := b.signalOf(surgeon)
	open := func(form string) string {
		b.Goto("/alarms") // without what was said about the form before
		article := `article[id="` + code + `"] `
		b.Press(article + `details:has(form[action$="/` + form + `"]) summary`)
		return article + `form[action$="/` + form + `"] `
	}
	form := open("acknowledgements")
	b.Do(chromedp.SendKeys(chromedp.CSS(form+"textarea"), "Seen; all six are from one list"))
	b.Press(form + "button")
	b.See(`p[role="status"]`)
	b.SeeWords("That you have seen it is recorded.")
	b.SeeWords("Seen; all six are from one list")

	form = open("assignments")
	b.Do(chromedp.SendKeys(chromedp.CSS(form+`input[name="owner"]`), "C-01"))
	due := time.Now().UTC().AddDate(0, 0, 14)
	b.Do(chromedp.SendKeys(chromedp.CSS(form+`input[name="due_on"]`), due.Format("01022006")))
	b.Press(form + "button")
	b.See(`p[role="status"]`)
	b.SeeWords("Under review by C-01, due on " + due.Format("2 January 2006"))

	form = open("reviews")
	b.Choose(form+"select", "case-mix")
	b.Do(chromedp.SendKeys(chromedp.CSS(form+"textarea"), "Looked at the six together"))
	b.Press(form + "button")
	b.See(`p[role="status"]`)
	b.SeeWords("Your review is recorded.")
	b.SeeWords("closed. Found: case mix. Action: “Looked at the six together”.")
	b.Accessible()
	b.Goto("/charts?surgeon=" + surgeon + "&outcome=capsule-rupture&kind=detection")
	b.SeeWords("found the case mix to be the cause")
	b.SeeWords("given to C-01, due on ")
}

// ruptures are the events of six operations in a row, each with a ruptured capsule,
// the latest of them six days ago.
func ruptures(surgeon, series string) []string {
	var lines []string
	for i := range 6 {
		at := time.Now().UTC().AddDate(0, 0, i-12).Truncate(time.Second)
		add := func(kind string, after time.Duration, data string) {
			lines = append(lines, fmt.Sprintf(`{"specversion":"1.0","id":"%s-%d-%s","source":"ehr-harbour","type":"lensledger.%s.v1","subject":"%s-%d","department":"HARBOUR","time":%q,"data":%s}`,
				series, i, kind, kind, series, i, at.Add(after).Format(time.RFC3339), data))
		}
		add("case.started", 0, `{"responsible_consultant":"C-01","first_operator":"`+surgeon+`","supervision":"scrubbed"}`)
		add("complication.recorded", 10*time.Minute, `{"kind":"posterior-capsule-rupture","caused_by":"`+surgeon+`","vitreous":"none"}`)
		add("case.finished", 20*time.Minute, `{}`)
	}
	return lines
}

// A page that has shown a change rests before it shows the next one, however many
// come. A new signal doesn't wait for that: here the page's rest never ends.
func TestASignalDoesntWait(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{})
	b.SignIn("quality")
	b.Goto("/alarms")
	b.live("live")
	eval[bool](b, `(() => { const later = setTimeout; window.setTimeout = (what, ms, ...rest) => ms >= 1000 ? 0 : later(what, ms, ...rest); return true })()`)
	before := b.position()
	s.publish(t, "RESTS-1")
	b.Until(fmt.Sprintf(`Number(document.documentElement.dataset.position) > %d`, before))
	for _, line := range ruptures("S-901", "RESTS") {
		s.API(t, "integrator", "POST", "/v1/events?wait=projected", line)
	}
	b.SeeWords("Capsule rupture, surgeon S-901")
}

// BenchmarkSignalSeen measures how long it takes from sending the event that makes a
// chart cross its line until the signal stands on an open page, which has just shown
// another change. Browser, program and servers share the machine.
func BenchmarkSignalSeen(b *testing.B) {
	s := demo(b)
	page := s.browse(b, how{})
	page.SignIn("quality")
	page.Goto("/alarms")
	page.live("live")
	var took []time.Duration
	series := 0
	for b.Loop() {
		series++
		surgeon := fmt.Sprintf("S-B%02d", series)
		words := "surgeon " + surgeon + ","
		eval[bool](page, `(() => { window.seen = new Promise(done => { const look = () => document.querySelector("main").innerText.includes(`+quoted(words)+`) && (done(Date.now()), true);
			look() || new MutationObserver((_, o) => look() && o.disconnect()).observe(document.querySelector("main"), {subtree: true, childList: true, characterData: true}) }); return true })()`)
		sent := map[uint64]time.Time{}
		for _, line := range ruptures(surgeon, fmt.Sprintf("SEEN-%d", series)) {
			began := time.Now()
			var receipt struct {
				Results []struct{ Sequence uint64 }
			}
			if err := json.Unmarshal(s.API(b, "integrator", "POST", "/v1/events?wait=projected", line), &receipt); err != nil || len(receipt.Results) != 1 {
				b.Fatal(err, receipt)
			}
			sent[receipt.Results[0].Sequence] = began
		}
		at := time.UnixMilli(int64(eval[float64](page, `window.seen`)))
		var list struct {
			Alarms []struct {
				Surgeon    string
				FirstKnown uint64 `json:"first_known"`
			}
		}
		if err := json.Unmarshal(s.API(b, "quality", "GET", "/v1/alarms", ""), &list); err != nil {
			b.Fatal(err)
		}
		for _, a := range list.Alarms {
			if began, ok := sent[a.FirstKnown]; a.Surgeon == surgeon && ok {
				took = append(took, at.Sub(began))
			}
		}
		if len(took) != series {
			b.Fatalf("%d signals of %d series", len(took), series)
		}
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Milliseconds()), "p50-ms")
	b.ReportMetric(float64(took[len(took)-1].Milliseconds()), "most-ms")
	b.ReportMetric(0, "ns/op")
}

// signalOf gives the code of the signal of a surgeon that the page lists.
func (b *browser) signalOf(surgeon string) string {
	b.t.Helper()
	return eval[string](b, `[...document.querySelectorAll("article")].find(a => a.innerText.includes(`+quoted("surgeon "+surgeon+",")+`)).id`)
}
