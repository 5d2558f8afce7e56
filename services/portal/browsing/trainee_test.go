package browsing

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// ofTrainee is what the API says of the demo's trainee.
type ofTrainee struct {
	Progress struct {
		CaseNumber  int `json:"case_number"`
		WholeCases  int `json:"whole_cases"`
		PartCases   int `json:"part_cases"`
		NextMinimum struct {
			Cases int `json:"cases"`
		} `json:"next_minimum"`
		Steps []struct {
			Step   string `json:"step"`
			Cases  int    `json:"cases"`
			Lately struct {
				Supervision string `json:"supervision"`
				Cases       int    `json:"cases"`
			} `json:"lately"`
		} `json:"steps"`
		Missing struct {
			Operations  int              `json:"operations"`
			AcuityAfter int              `json:"acuity_after"`
			Refraction  int              `json:"refraction"`
			Cases       []map[string]any `json:"cases"`
		} `json:"missing_followup"`
	}
	Outcomes struct {
		Operations int `json:"operations"`
		Vision     struct {
			After struct {
				At030 struct {
					Count int `json:"count"`
					N     int `json:"n"`
				} `json:"at_0_30_or_better"`
			} `json:"after"`
		} `json:"vision"`
	}
	Logbook struct {
		Totals struct {
			Operations    int `json:"operations"`
			Whole         int `json:"whole_cases"`
			Part          int `json:"part_cases"`
			FirstOperator int `json:"as_first_operator"`
			TakenOver     int `json:"taken_over"`
			AcuityMissing int `json:"acuity_after_missing"`
			Excluded      int `json:"excluded"`
		} `json:"totals"`
		Cases []logged `json:"cases"`
	}
}

type logged struct {
	Case       string `json:"case"`
	OperatedOn string `json:"operated_on"`
	Role       string `json:"role"`
}

func (s *site) trainee(t *testing.T) ofTrainee {
	t.Helper()
	var o ofTrainee
	for path, into := range map[string]any{"progress": &o.Progress, "outcomes": &o.Outcomes, "logbook?limit=500": &o.Logbook} {
		if err := json.Unmarshal(s.API(t, "trainee", "GET", "/v1/surgeons/S-014/"+path, ""), into); err != nil {
			t.Fatal(err)
		}
	}
	if len(o.Logbook.Cases) == 0 || len(o.Progress.Steps) == 0 {
		t.Fatal("the demo's trainee has no operation")
	}
	return o
}

// facts reads a list of names and values.
func (b *browser) facts() map[string]string {
	return eval[map[string]string](b, `Object.fromEntries([...document.querySelectorAll("dl.facts dt")].map(d => [d.innerText.trim(), d.nextElementSibling.innerText.trim()]))`)
}

// rows reads a table by the name that its region has.
func (b *browser) rows(name string) [][]string {
	b.t.Helper()
	return eval[[][]string](b, fmt.Sprintf(`[...document.querySelectorAll('[aria-label=%s] tbody tr')].map(r => [...r.cells].map(c => c.textContent.trim()))`, quoted(name)))
}

// choose picks an option of a select, as a person would: the form hears of it.
func (b *browser) choose(selector, value string) {
	b.t.Helper()
	b.See(selector)
	if got := eval[string](b, fmt.Sprintf(`(() => { const s = document.querySelector(%s); s.value = %s; s.dispatchEvent(new Event("change", {bubbles: true})); return s.value })()`,
		quoted(selector), quoted(value))); got != value {
		b.t.Fatalf("%s has no option %q", selector, value)
	}
}

// write types into an empty field.
func (b *browser) write(selector, text string) {
	b.t.Helper()
	b.See(selector)
	b.Do(chromedp.SendKeys(chromedp.CSS(selector), text))
}

// The trainee: where am I, step by step; the logbook, read, printed and taken
// along; and something that is wrong in a record, said and answered.
func TestTrainee(t *testing.T) {
	s := demo(t)
	told := s.trainee(t)
	b := s.browse(t, how{Forgive: notTaken})
	b.SignIn("trainee")
	b.Goto("/my/progress")
	p := told.Progress
	want := fmt.Sprintf("Case number %d, in whole cases. The next published minimum is %d: %d to go.", p.CaseNumber, p.NextMinimum.Cases, p.NextMinimum.Cases-p.CaseNumber)
	if got := b.See("main p.answer"); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	facts := b.facts()
	if facts["Whole cases on record"] != fmt.Sprint(p.WholeCases) || facts["Part cases on record"] != fmt.Sprint(p.PartCases) {
		t.Errorf("%v beside %+v", facts, p)
	}
	b.SeeWords(fmt.Sprintf("Follow-up is missing for %d of %d operations.", len(p.Missing.Cases), p.Missing.Operations))
	steps := b.rows("Steps")
	if len(steps) != len(p.Steps) {
		t.Fatalf("%d steps on the page, %d in the answer", len(steps), len(p.Steps))
	}
	for i, step := range p.Steps {
		lately := "supervisor " + strings.ReplaceAll(step.Lately.Supervision, "-", " ")
		if steps[i][1] != fmt.Sprint(step.Cases) || step.Lately.Supervision != "" && step.Lately.Supervision != "none" && !strings.HasPrefix(steps[i][5], lately) ||
			step.Lately.Cases > 0 && !strings.Contains(steps[i][5], fmt.Sprintf("(of %d", step.Lately.Cases)) {
			t.Errorf("%s: %v beside %+v", step.Step, steps[i], step)
		}
	}
	acuity := told.Outcomes.Vision.After.At030
	if rows := b.rows("Acuity"); !strings.HasPrefix(rows[1][1], fmt.Sprintf("%d of %d", acuity.Count, acuity.N)) && acuity.N > 0 {
		t.Errorf("%v beside %+v", rows, acuity)
	}
	for _, kind := range []string{"run", "step-times"} {
		source := eval[string](b, fmt.Sprintf(`document.querySelector('[data-drawing=%q]').dataset.source`, kind))
		if status := eval[int](b, fmt.Sprintf(`fetch(%s).then(r => r.status)`, quoted(source))); status != 200 {
			t.Errorf("%s is drawn from %s, which answers %d", kind, source, status)
		}
	}
	b.Accessible()
	t.Logf("progress prints on %d pages", b.Print())

	s.readLogbook(t, b, told)
	s.sayWrong(t, b, told)
}

// readLogbook reads the logbook, prints it and takes it along.
func (s *site) readLogbook(t *testing.T, b *browser, told ofTrainee) {
	b.Follow("The logbook, to read and to print")
	b.See(".logbook table")
	totals, facts := told.Logbook.Totals, b.facts()
	counted := totals.Whole + totals.Part
	if want := fmt.Sprintf("%d of %d", totals.FirstOperator, counted); facts["Begun as first operator"] != want || facts["Acuity after missing"] != fmt.Sprintf("%d of %d", totals.AcuityMissing, counted) {
		t.Errorf("%v beside %+v", facts, totals)
	}
	if totals.Whole != told.Progress.WholeCases || totals.Part != told.Progress.PartCases || totals.AcuityMissing != told.Progress.Missing.AcuityAfter {
		t.Errorf("the logbook has %+v, the progress %+v", totals, told.Progress)
	}
	rows := b.rows("Operations")
	if len(rows) != totals.Operations || len(rows) != len(told.Logbook.Cases) || rows[0][0] != told.Logbook.Cases[0].Case {
		t.Fatalf("%d rows of %d operations", len(rows), totals.Operations)
	}
	b.Accessible()
	pages := b.Print()
	t.Logf("%d operations print on %d pages", len(rows), pages)
	if pages < 1 || pages > 2+len(rows)/6 {
		t.Errorf("%d operations print on %d pages", len(rows), pages)
	}
	file := eval[string](b, `fetch(document.querySelector("p.take a").href).then(async r => r.headers.get("Content-Disposition") + "\n" + await r.text())`)
	head, text, _ := strings.Cut(file, "\n")
	table, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(table) != len(rows)+1 || !strings.HasPrefix(head, "attachment;") || table[1][0] != rows[0][0] {
		t.Errorf("%v, %s, %d lines", err, head, len(table))
	}
	day := told.Logbook.Cases[0].OperatedOn
	b.Goto("/my/logbook?from=" + day + "&to=" + day)
	for _, row := range b.rows("Operations") {
		if row[2] != day {
			t.Errorf("an operation of %s among those of %s", row[2], day)
		}
	}
	b.Goto("/my/logbook?from=2025-02-01&to=2025-01-01")
	b.SeeWords("The last day lies before the first.")
}

// sayWrong says what is wrong in a record, has it answered, and reads the answer.
func (s *site) sayWrong(t *testing.T, b *browser, told ofTrainee) {
	i := slices.IndexFunc(told.Logbook.Cases, func(c logged) bool {
		return c.Role == "first-operator" && strings.HasPrefix(c.Case, "HB-")
	})
	if i < 0 {
		t.Fatal("the demo's trainee began nothing in HARBOUR")
	}
	code := told.Logbook.Cases[i].Case
	b.Goto("/cases/" + code)
	b.choose("#question-part", "step")
	b.write("#question-words", "The end of the capsulorhexis is noted too late")
	b.Press(`form[action$="/questions"] button`)
	if got := b.See("#questions + .notice"); !strings.HasPrefix(got, "What you wrote is recorded.") {
		t.Errorf("%q", got)
	}
	b.SeeWords("Not answered yet.")
	b.Accessible()
	b.Goto("/my/progress")
	b.SeeWords("Not answered yet: ")

	officer := s.browse(t, how{Width: 320})
	officer.SignIn("quality")
	officer.Goto("/departments/HARBOUR/questions")
	officer.Accessible()
	officer.Fits()
	var open struct {
		Questions []struct {
			Case     string `json:"case"`
			Question string `json:"question"`
			Words    string `json:"words"`
		} `json:"questions"`
	}
	if err := json.Unmarshal(s.API(t, "quality", "GET", "/v1/questions?open=true&limit=500", ""), &open); err != nil {
		t.Fatal(err)
	}
	if n := eval[int](officer, `document.querySelectorAll("main article").length`); n != len(open.Questions) {
		t.Errorf("%d open questions on the page, %d in the answer", n, len(open.Questions))
	}
	ours := ""
	for _, q := range open.Questions {
		if q.Case == code && q.Words == "The end of the capsulorhexis is noted too late" {
			ours = q.Question
		}
	}
	form := `form[action="/departments/HARBOUR/questions/` + ours + `/answers"]`
	officer.choose(form+` select`, "left-as-it-is")
	officer.write(form+` textarea`, "The recording says the same")
	officer.Press(form + ` button`)
	officer.See(`main > .notice[role="status"]`)
	officer.SeeWords("Your answer is stored.")
	officer.SeeWords("The recording says the same")

	b.Goto("/cases/" + code)
	b.SeeWords("The recording says the same")
	b.Goto("/my/progress")
	b.SeeWords("Left as it is, demo-quality on ")
	if after := s.trainee(t); fmt.Sprint(after) != fmt.Sprint(told) {
		t.Errorf("a question moved a figure:\n%+v\n%+v", told, after)
	}
}

// Without script the same is there, and on a small screen nothing is cut off.
func TestTraineeWithoutScript(t *testing.T) {
	s := demo(t)
	b := s.browse(t, how{NoScript: true, Width: 320})
	b.SignIn("trainee")
	for _, path := range []string{"/my/progress", "/my/logbook"} {
		b.Goto(path)
		b.See("main p.answer")
		b.Fits()
	}
	// Somebody else's page looks as if it didn't exist.
	c := s.browse(t, how{Forgive: notFound})
	c.SignIn("trainee")
	c.Goto("/my/logbook?surgeon=S-010")
	if h1 := c.See("main h1"); h1 != "Nothing here that you may see" {
		t.Error(h1)
	}
}

// notTaken is what the console says of a period that ends before it begins.
var notTaken = regexp.MustCompile(`status of 422`)

// notFound is what the console says of a page that isn't theirs.
var notFound = regexp.MustCompile(`status of 404`)
