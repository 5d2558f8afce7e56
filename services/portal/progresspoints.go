package portal

import (
	"fmt"
	"slices"

	"lensledger/projections/feedback"
)

// pointSection says which teaching points came up, which stopped after the advice
// and which recur, by what they touch.
func pointSection(f feedback.Feedback) sectionView {
	s := sectionView{Heading: "Teaching points", Words: []string{"No operation is recorded yet."}}
	if f.Operations > 0 {
		s.Words[0] = fmt.Sprintf("Looked at, with a note or a review: %s. With a part in the charts there are %s. Of a case that nobody looked at nothing is known, which is no success.",
			plural(f.Looked, "operation", "operations"), whole(f.Operations))
	}
	byState := map[string][]string{}
	for _, p := range f.Points {
		byState[p.State] = append(byState[p.State], p.TeachingPoint)
	}
	for _, state := range []struct{ word, say string }{
		{feedback.StateRecurs, "Recur after the advice"},
		{feedback.StateStopped, fmt.Sprintf("Stopped after the advice (not in the last %d operations looked at)", feedback.QuietCases)},
		{feedback.StateTooFew, "Too few operations looked at since the advice to say"},
	} {
		if codes := byState[state.word]; len(codes) > 0 {
			s.Words = append(s.Words, state.say+": "+list(codes)+".")
		}
	}
	t := tableView{Name: "Teaching points", None: "No teaching point to improve came up.",
		Caption: "Teaching points to improve, by what they touch, and how often each was noted before and after the advice",
		Head:    heads("What it touches", "Teaching point", "Steps", "Before the advice", "After the advice", "State", "Advised in", "Last seen in")}
	for _, c := range consequences(f) {
		for _, p := range f.Points {
			if deepest(f, p) == c {
				t.Rows = append(t.Rows, pointRow(c, p))
			}
		}
	}
	s.Tables = []tableView{t}
	if len(f.Strengths) > 0 {
		well := tableView{Name: "Strengths", Caption: "Teaching points noted as strengths", Head: []column{{"Teaching point", false}, {"Notes", true}, {"Last noted in", false}}}
		for _, p := range f.Strengths {
			row := cells(p.TeachingPoint, whole(p.Notes), p.LastNoted.Case)
			row[2].Href = caseHref(p.LastNoted.Case)
			well.Rows = append(well.Rows, row)
		}
		s.Tables = append(s.Tables, well)
	}
	return s
}

// consequences are those of the surgeon's notes, the deepest first, and at the end
// that of points which only a review names.
func consequences(f feedback.Feedback) []string {
	var out []string
	for _, c := range f.Consequences {
		out = append(out, c.Consequence)
	}
	if !slices.Contains(out, "") {
		out = append(out, "")
	}
	return out
}

// deepest is the consequence of a point under which it is listed.
func deepest(f feedback.Feedback, p feedback.Recurrence) string {
	for _, c := range f.Consequences {
		if slices.Contains(p.Consequences, c.Consequence) {
			return c.Consequence
		}
	}
	return ""
}

func pointRow(consequence string, p feedback.Recurrence) []cell {
	touches := sentence(plain(consequence))
	switch consequence {
	case "":
		touches = sentence(notRecorded)
	case "none":
		touches = "No consequence"
	}
	steps := make([]string, len(p.Steps))
	for i, step := range p.Steps {
		steps[i] = plain(step)
	}
	if len(steps) == 0 {
		steps = []string{notRecorded}
	}
	row := cells(touches, p.TeachingPoint, list(steps), splitWords(p.Before), splitWords(p.After), pointStates[p.State], p.Advised.Case, p.LastSeen.Case)
	row[6].Href, row[7].Href = caseHref(p.Advised.Case), caseHref(p.LastSeen.Case)
	return row
}

var pointStates = map[string]string{feedback.StateStopped: "stopped", feedback.StateRecurs: "recurs", feedback.StateTooFew: "too few to say"}

// splitWords count the operations in which a point could have been noted.
func splitWords(s feedback.Split) string {
	out := fmt.Sprintf("in %s of %s", whole(s.With), whole(s.N))
	if s.NotLooked > 0 {
		out += fmt.Sprintf(" (%s not looked at)", whole(s.NotLooked))
	}
	return out
}
