package browsing

import (
	"fmt"
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
	var lines []string
	for i := range 6 {
		at := time.Now().UTC().AddDate(0, 0, i-12).Truncate(time.Second)
		add := func(kind string, after time.Duration, data string) {
			lines = append(lines, fmt.Sprintf(`{"specversion":"1.0","id":"signal-%d-%s","source":"ehr-harbour","type":"lensledger.%s.v1","subject":"SIG-%d","department":"HARBOUR","time":%q,"data":%s}`,
				i, kind, kind, i, at.Add(after).Format(time.RFC3339), data))
		}
		add("case.started", 0, `{"responsible_consultant":"C-01","first_operator":"`+surgeon+`","supervision":"scrubbed"}`)
		add("complication.recorded", 10*time.Minute, `{"kind":"posterior-capsule-rupture","caused_by":"`+surgeon+`","vitreous":"none"}`)
		add("case.finished", 20*time.Minute, `{}`)
	}
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

// signalOf gives the code of the signal of a surgeon that the page lists.
func (b *browser) signalOf(surgeon string) string {
	b.t.Helper()
	return eval[string](b, `[...document.querySelectorAll("article")].find(a => a.innerText.includes(`+quoted("surgeon "+surgeon+",")+`)).id`)
}
