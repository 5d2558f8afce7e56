package main

import (
	"cmp"
	"slices"
	"testing"

	"lensledger/projections/feedback"
)

// Teaching points, counted a second time from the published JSON.

// naivePoint is what is told of one teaching point: the case on which it was
// advised, operations with it, without it and not looked at, before and after.
type naivePoint struct {
	advised       string
	before, after [3]int
	state         string
}

// concerned is the surgeon whom a remark is for: who did the run of the step that
// lasted then, else the first other than its author who did the step; without a
// record of the step the operator at the time, or the first once it is over.
func (eye naiveEye) concerned(note naiveEvent) string {
	someone := ""
	for _, r := range eye.runs {
		if r.step != note.word("step") {
			continue
		}
		if r.began != nil && r.ended != nil && !note.time.Before(*r.began) && !note.time.After(*r.ended) {
			return r.operator
		}
		if someone == "" && r.operator != note.word("by") {
			someone = r.operator
		}
	}
	if someone != "" || eye.finished != nil && note.time.After(*eye.finished) {
		return cmp.Or(someone, eye.first)
	}
	at := eye.first
	for _, c := range eye.changes {
		if !c.time.After(note.time) {
			at = c.word("to")
		}
	}
	return at
}

// naiveSaid is all that was said of one point to improve.
type naiveSaid struct {
	steps    []string
	cases    map[string]bool // in which it came up
	advice   *naiveEvent
	on       naiveEye // what the advice was given on
	reviewed bool     // the advice is a review
}

// add takes a remark: the first review is the advice, else the first note.
func (s *naiveSaid) add(e naiveEvent, on naiveEye, review bool) {
	s.cases[on.code] = true
	if s.advice == nil || review && !s.reviewed || review == s.reviewed && e.time.Before(s.advice.time) {
		s.advice, s.on, s.reviewed = &e, on, review
	}
}

// naivePoints counts a surgeon's teaching points. Operations that stay out of the
// figures are taught from all the same.
func naivePoints(eyes []naiveEye, surgeon string) map[string]naivePoint {
	said, looked := map[string]*naiveSaid{}, map[string]bool{}
	of := func(code string) *naiveSaid {
		if said[code] == nil {
			said[code] = &naiveSaid{cases: map[string]bool{}}
		}
		return said[code]
	}
	for _, eye := range eyes {
		praised := map[string]bool{} // noted as a strength and not to improve
		for _, e := range eye.noted {
			if point := e.word("teaching_point"); eye.concerned(e) == surgeon {
				looked[eye.code] = true
				praised[point] = e.word("polarity") == "strength" && (praised[point] || !of(point).cases[eye.code])
				if e.word("polarity") != "improve" {
					continue
				}
				of(point).add(e, eye, false)
				if step := e.word("step"); step != "" {
					of(point).steps = append(of(point).steps, step)
				}
			}
		}
		for _, e := range eye.reviewed {
			if eye.first != surgeon {
				continue
			}
			looked[eye.code] = true
			list, _ := e.data["teaching_points"].([]any)
			for _, point := range list {
				if !praised[point.(string)] {
					of(point.(string)).add(e, eye, true)
				}
			}
		}
	}
	out := map[string]naivePoint{}
	for point, s := range said {
		if s.advice == nil {
			continue
		}
		p := naivePoint{advised: s.on.code, state: "too-few"}
		var after []bool // of those looked at: with it
		for _, eye := range eyes {
			if !s.cases[eye.code] && !eye.could(surgeon, s.steps) {
				continue
			}
			kind := 2
			if looked[eye.code] {
				kind = map[bool]int{true: 0, false: 1}[s.cases[eye.code]]
			}
			if !eye.start.After(s.advice.time) || !eye.start.After(s.on.start) {
				p.before[kind]++
				continue
			}
			p.after[kind]++
			if kind < 2 {
				after = append(after, kind == 0)
			}
		}
		switch last := after[max(0, len(after)-10):]; {
		case slices.Contains(last, true):
			p.state = "recurs"
		case len(last) == 10:
			p.state = "stopped"
		}
		out[point] = p
	}
	return out
}

// could says whether the point could come up: the surgeon did one of its steps, or,
// where no step is recorded or the point has none, the whole operation.
func (eye naiveEye) could(surgeon string, steps []string) bool {
	// An operation is its operators' by the start and the hand-overs: a step that
	// names somebody else makes nobody one.
	part, took := eye.part(surgeon)
	if !eye.charted() || !took {
		return false
	}

	for _, r := range eye.runs {
		if r.operator == surgeon && slices.Contains(steps, r.step) {
			return true
		}
	}
	return len(eye.theatreSteps) == 0 && part.whole || len(steps) == 0
}

// comparePoints holds the teaching points of a surgeon.
func comparePoints(t *testing.T, eyes []naiveEye, surgeon string, got []feedback.Recurrence) {
	t.Helper()
	want := naivePoints(eyes, surgeon)
	for _, r := range got {
		found := naivePoint{r.Advised.Case, [3]int{r.Before.With, r.Before.Without, r.Before.NotLooked},
			[3]int{r.After.With, r.After.Without, r.After.NotLooked}, r.State}
		if found != want[r.TeachingPoint] {
			t.Errorf("%s %s: found %+v, want %+v", surgeon, r.TeachingPoint, found, want[r.TeachingPoint])
		}
		delete(want, r.TeachingPoint)
	}
	for point, p := range want {
		t.Errorf("%s %s: found nothing, want %+v", surgeon, point, p)
	}
}
