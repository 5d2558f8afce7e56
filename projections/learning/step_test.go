package learning

import (
	"reflect"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

var noon = time.Date(2025, 3, 12, 12, 0, 0, 0, time.UTC)

func minute(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }

func run(step events.Step, by string, from, to int) fold.Step {
	return fold.Step{Step: step, Operator: by, StartedAt: minute(from), FinishedAt: minute(to)}
}

func change(at int, step events.Step, reason events.ChangeReason) fold.Change {
	return fold.Change{OperatorChanged: events.OperatorChanged{From: "T", To: "C", Step: step, Reason: reason}, At: minute(at)}
}

func operation(steps []fold.Step, changes ...fold.Change) fold.Case {
	return fold.Case{Code: "K", Department: "D", Started: &events.CaseStarted{FirstOperator: "T"}, StartedAt: noon,
		FinishedAt: minute(40), Steps: steps, Changes: changes}
}

// told says what became of a surgeon's runs: seconds or -, then the failure.
func told(e StepEntry) []string {
	out := []string{}
	for i, s := range e.Steps {
		text := s + " -"
		if e.Seconds[i] != nil {
			text = s + " " + (time.Duration(*e.Seconds[i]) * time.Second).String()
		}
		switch f := e.Failed[i]; {
		case f == nil:
			text += " unknown"
		case *f:
			text += " failed"
		}
		out = append(out, text)
	}
	return out
}

// A step fails when it was handed over unplanned; a planned or teaching hand-over
// is no failure, and one whose kind isn't known makes it unknown. A length is
// unknown without both ends, outside 0 to 7,200 seconds or the operation, or when
// another took over within it.
func TestStepEntries(t *testing.T) {
	both := []fold.Step{run("capsulorhexis", "T", 1, 4), run("sculpting", "C", 5, 9)}
	late := operation([]fold.Step{run("capsulorhexis", "T", 1, 122), run("sculpting", "T", 3, 2)})
	late.FinishedAt = minute(200)
	open := operation(both)
	open.FinishedAt = time.Time{}
	for name, test := range map[string]struct {
		c    fold.Case
		want []string
	}{
		"nothing handed over":          {operation([]fold.Step{run("capsulorhexis", "T", 1, 4)}), []string{"capsulorhexis 3m0s"}},
		"in the step":                  {operation(both, change(3, "capsulorhexis", "difficulty")), []string{"capsulorhexis - failed"}},
		"by its time":                  {operation(both, change(3, "", "complication")), []string{"capsulorhexis - failed"}},
		"between two steps":            {operation([]fold.Step{run("capsulorhexis", "T", 1, 4)}, change(6, "", "difficulty")), []string{"capsulorhexis 3m0s"}},
		"planned":                      {operation(both, change(3, "capsulorhexis", "planned")), []string{"capsulorhexis -"}},
		"for teaching":                 {operation(both, change(3, "", "teaching")), []string{"capsulorhexis -"}},
		"nobody says why":              {operation(both, change(3, "capsulorhexis", "")), []string{"capsulorhexis - unknown"}},
		"in a step without a run":      {operation(both, change(5, "sculpting", "difficulty")), []string{"capsulorhexis 3m0s", "sculpting - failed"}},
		"of two runs, the one by then": {operation([]fold.Step{run("sculpting", "T", 1, 4), run("sculpting", "T", 10, 12)}, change(5, "sculpting", "difficulty")), []string{"sculpting - failed", "sculpting 2m0s"}},
		"only its end":                 {operation([]fold.Step{{Step: "draping", FinishedAt: minute(2)}}), []string{"draping -"}},
		"before the operation":         {operation([]fold.Step{run("draping", "T", -5, 2)}), []string{"draping -"}},
		"too long, and backwards":      {late, []string{"capsulorhexis -", "sculpting -"}},
		"not over":                     {open, []string{"capsulorhexis 3m0s unknown"}},
	} {
		row := outcome.RowOf(test.c)
		var got []string
		for _, e := range StepEntriesOf(test.c, row) {
			if e.Surgeon == "T" {
				got = told(e)
			}
		}
		if !reflect.DeepEqual(got, test.want) {
			t.Errorf("%s: %q, want %q", name, got, test.want)
		}
	}
	if got := StepEntriesOf(operation(nil, change(3, "sculpting", "difficulty")), outcome.RowOf(operation(nil))); got != nil {
		t.Errorf("an operation without a step recorded has %+v", got)
	}
}

// A run belongs to whoever the step names, else to whoever operated then.
func TestWhoseStep(t *testing.T) {
	c := operation([]fold.Step{run("capsulorhexis", "", 1, 4), run("sculpting", "", 6, 9), run("cracking", "N", 10, 11)}, change(5, "", "planned"))
	got := map[string][]string{}
	for _, e := range StepEntriesOf(c, outcome.RowOf(c)) {
		got[e.Surgeon] = e.Steps
	}
	want := map[string][]string{"T": {"capsulorhexis"}, "C": {"sculpting"}, "N": {"cracking"}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
