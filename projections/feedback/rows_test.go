package feedback

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

var noon = time.Date(2025, 3, 12, 12, 0, 0, 0, time.FixedZone("", 3600))

func minute(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }

func run(step events.Step, by string, from, to int) fold.Step {
	return fold.Step{Step: step, Operator: by, StartedAt: minute(from), FinishedAt: minute(to)}
}

func note(step events.Step, code, polarity, by string, at int) fold.Technique {
	return fold.Technique{TechniqueNoted: events.TechniqueNoted{Step: step, TeachingPoint: events.Code(code),
		Polarity: events.Polarity(polarity), Consequence: "capsule", By: events.Code(by)}, At: minute(at)}
}

// operation is one that T began at noon and that was over after half an hour.
func operation(change func(*fold.Case)) (fold.Case, outcome.Row) {
	c := fold.Case{Code: "K-2", Department: "HARBOUR", StartedAt: noon, FinishedAt: minute(30),
		Started: &events.CaseStarted{FirstOperator: "T", Supervision: "scrubbed"}}
	change(&c)
	return c, outcome.RowOf(c)
}

// Whom a note is for.
func TestConcerned(t *testing.T) {
	shared := func(c *fold.Case) {
		c.Steps = []fold.Step{run("capsulorhexis", "T", 5, 9), run("capsulorhexis", "C", 9, 12), run("sculpting", "C", 13, 18)}
		c.Changes = []fold.Change{{OperatorChanged: events.OperatorChanged{From: "T", To: "C", Planned: events.No}, At: minute(9)}}
	}
	unrecorded := func(c *fold.Case) {
		shared(c)
		c.Steps = nil
	}
	unnamed := func(c *fold.Case) {
		shared(c)
		for i := range c.Steps {
			c.Steps[i].Operator = ""
		}
	}
	for name, test := range map[string]struct {
		change func(*fold.Case)
		note   fold.Technique
		want   string
	}{
		"while the step lasted":                           {shared, note("capsulorhexis", "P", "improve", "C", 7), "T"},
		"while another did it":                            {shared, note("capsulorhexis", "P", "improve", "X", 11), "C"},
		"later, by the one who took over":                 {shared, note("capsulorhexis", "P", "improve", "C", 600), "T"},
		"later, by the one who began, of the other's run": {shared, note("capsulorhexis", "P", "improve", "T", 600), "C"},
		"later, of a step that one alone did":             {shared, note("sculpting", "P", "improve", "C", 600), "C"},
		"without a step, in the operation":                {shared, note("", "P", "improve", "C", 20), "C"},
		"without a step, after it":                        {shared, note("", "P", "improve", "C", 600), "T"},
		"of a step without a record, before the change":   {unrecorded, note("capsulorhexis", "P", "improve", "C", 7), "T"},
		"of a step without a record, after the change":    {unrecorded, note("capsulorhexis", "P", "improve", "X", 11), "C"},
		"of a run without an operator":                    {unnamed, note("capsulorhexis", "P", "improve", "X", 7), "T"},
		"of the second run without an operator":           {unnamed, note("capsulorhexis", "P", "improve", "X", 11), "C"},
	} {
		c, row := operation(test.change)
		c.Techniques = []fold.Technique{test.note}
		if got := PointsOf(c, row); len(got) != 1 || got[0].Surgeon != test.want {
			t.Errorf("%s: for %v, want %s", name, got, test.want)
		}
	}
}

func TestRowsOfACase(t *testing.T) {
	c, row := operation(func(c *fold.Case) {
		c.Booked = &events.CaseBooked{CombinedWith: []events.Combined{"vitrectomy"}} // taught from all the same
		c.Techniques = []fold.Technique{note("capsulorhexis", "P-1", "improve", "C", 6), note("capsulorhexis", "P-1", "improve", "C", 6)}
		c.Reviews = []fold.CaseReview{{CaseReviewed: events.CaseReviewed{Trainer: "C", AtThisStage: "as",
			TeachingPoints: []events.Code{"P-1"}, AgreedAction: "draw it first", SupervisionNext: "in-theatre"}, At: minute(90)}}
	})
	utc := noon.UTC()
	want := Point{CaseCode: "K-2", Part: "1", Surgeon: "T", Department: "HARBOUR", StartedAt: utc, NotedAt: minute(6).UTC(),
		Step: "capsulorhexis", TeachingPoint: "P-1", Polarity: "improve", Consequence: "capsule", NotedBy: "C"}
	second := want
	second.Part = "2"
	if diff := cmp.Diff([]Point{want, second}, PointsOf(c, row)); diff != "" {
		t.Error(diff)
	}
	review := []Review{{CaseCode: "K-2", Part: "1", Surgeon: "T", Department: "HARBOUR", StartedAt: utc, ReviewedAt: minute(90).UTC(), Trainer: "C",
		AtThisStage: "as", TeachingPoints: []string{"P-1"}, AgreedAction: "draw it first", SupervisionNext: "in-theatre"}}
	if diff := cmp.Diff(review, ReviewsOf(c, row)); diff != "" {
		t.Error(diff)
	}
	if n, m := len(want.Values()), len(review[0].Values()); n != len(PointTable.Columns) || m != len(ReviewTable.Columns) {
		t.Errorf("%d and %d values for %d and %d columns", n, m, len(PointTable.Columns), len(ReviewTable.Columns))
	}
	c.MergedInto = "K-1"
	if PointsOf(c, row) != nil || ReviewsOf(c, row) != nil {
		t.Error("a code that was merged into another has rows of its own")
	}
}
