package main

import (
	"fmt"
	"maps"
	"math"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
)

// The steps of operations and their charts, worked out a second time from the
// published JSON.

// naiveRun is one run of a step: seconds are nil unless both ends are recorded and
// lie 0 to 7,200 s apart, failed is nil where it isn't known.
type naiveRun struct {
	step, operator string
	began, ended   *time.Time
	seconds        *int
	failed         *bool
}

// readRuns pairs the starts and ends of steps, in order of time, and says who was
// operating and whether the step was handed over unplanned.
func (eye naiveEye) readRuns() []naiveRun {
	var out []naiveRun
	named := map[int]string{} // operator as recorded
	for _, e := range eye.theatreSteps {
		step, at := e.word("step"), e.time
		if e.kind == "lensledger.step.started.v1" {
			out = append(out, naiveRun{step: step, began: &at})
			named[len(out)-1] = e.word("operator")
			continue
		}
		i := len(out) - 1
		for i >= 0 && (out[i].step != step || out[i].ended != nil) {
			i--
		}
		if i < 0 {
			out, i = append(out, naiveRun{step: step}), len(out)
		}
		out[i].ended = &at
		if named[i] == "" {
			named[i] = e.word("operator")
		}
	}
	for i := range out {
		r := &out[i]
		if r.began != nil && r.ended != nil {
			if length := r.ended.Sub(*r.began); length >= 0 && length <= 2*time.Hour && !r.began.Before(eye.start) && (eye.finished == nil || !r.ended.After(*eye.finished)) {
				s := int(length / time.Second)
				r.seconds = &s
			}
		}
		from := r.began
		if from == nil {
			from = r.ended
		}
		r.operator = eye.first
		for _, c := range eye.changes { // those before this run
			if c.time.Before(*from) {
				r.operator = c.word("to")
			}
		}
		if named[i] != "" {
			r.operator = named[i]
		}
		r.failed = new(bool)
		for _, c := range eye.changes {
			if c.word("step") != r.step || c.word("from") != r.operator {
				continue
			}
			r.seconds = nil // the time of two
			switch u := naiveUnplanned(c); {
			case u == nil && (r.failed == nil || !*r.failed):
				r.failed = nil
			case u != nil && *u:
				r.failed = u
			}
		}
	}
	// Who gave a step over before it was recorded has a run of it, of unknown length.
	for _, c := range eye.changes {
		step, from := c.word("step"), c.word("from")
		u := naiveUnplanned(c)
		if step != "" && (u == nil || *u) && !slices.ContainsFunc(out, func(r naiveRun) bool { return r.step == step && r.operator == from }) {
			out = append(out, naiveRun{step: step, operator: from, failed: u})
		}
	}
	for i := range out { // the outcome isn't known until the operation is over
		if eye.excluded == "not-finished" {
			out[i].failed = nil
		}
	}
	return out
}

// charted says whether the operation stands on charts; its outcome may be unknown.
func (eye naiveEye) charted() bool { return eye.excluded == "" || eye.excluded == "not-finished" }

// part is the surgeon's part in the operation.
func (eye naiveEye) part(surgeon string) (p naivePart, took bool) {
	i := slices.IndexFunc(eye.parts, func(p naivePart) bool { return p.surgeon == surgeon })
	if i < 0 {
		return p, false
	}
	return eye.parts[i], true
}

var naiveCritical = []string{"capsulorhexis", "sculpting", "cracking", "segment-removal", "cortex-aspiration", "lens-insertion"}

// naiveStepChart is a competence chart of one step.
func naiveStepChart(eyes []naiveEye, surgeon, step string, prior int, answer chartAnswer) chartAnswer {
	d := answer.Design
	out := chartAnswer{Outcome: answer.Outcome, Kind: answer.Kind, Design: d}
	number, value := prior, 0.0
	crossed := false
	for _, eye := range eyes {
		part, _ := eye.part(surgeon)
		if !eye.charted() {
			continue
		}
		if part.whole {
			number++
		}
		did, failed, unknown := false, false, false
		for _, r := range eye.runs {
			if r.step == step && r.operator == surgeon {
				did = true
				failed = failed || r.failed != nil && *r.failed
				unknown = unknown || r.failed == nil
			}
		}
		switch {
		case !did:
			continue
		case unknown && !failed:
			out.LeftOut++
			continue
		case d.Closes != nil && len(out.Cases) >= *d.Closes:
			out.Closed = true
			continue
		}
		c := chartCase{Case: eye.code, Number: number, Expected: d.Acceptable, Score: math.Log((1 - d.Acceptable) / (1 - d.Unacceptable))}
		if failed {
			c.Outcome, c.Score = 1, math.Log(d.Acceptable/d.Unacceptable)
		}
		value = max(0, value+c.Score)
		c.Value, c.Crossed = value, value >= d.Threshold
		crossed = crossed || c.Crossed
		out.Cases = append(out.Cases, c)
	}
	return out
}

// compareLearning holds every run of every step of every enrolled surgeon, the
// charts of steps, and the teaching points.
func compareLearning(t *testing.T, w *world, bySubject map[string][]naiveEvent, eyes []naiveEye, departments []string) (runs, points, advised int) {
	t.Helper()
	for _, surgeon := range slices.Sorted(maps.Keys(bySubject)) {
		standing := naiveStanding(bySubject[surgeon])
		i := slices.IndexFunc(standing, func(e naiveEvent) bool { return e.kind == "lensledger.surgeon.enrolled.v1" })
		if i < 0 {
			continue
		}
		prior, _ := standing[i].data["prior_whole_cases"].(float64)
		var steps []learning.StepRuns
		var said feedback.Feedback
		w.read(t, func(tx pgx.Tx, asOf archive.AsOf) (err error) {
			if steps, err = learning.Steps(t.Context(), tx, surgeon, asOf); err != nil {
				return err
			}
			said, err = feedback.Points(t.Context(), tx, surgeon, asOf)
			return err
		})
		runs += compareRuns(t, eyes, surgeon, steps)
		comparePoints(t, eyes, surgeon, said.Points)
		advised += len(said.Points)
		var answer struct{ Charts []chartAnswer }
		w.get(t, quality(departments...), "/v1/surgeons/"+url.PathEscape(surgeon)+"/charts", &answer)
		charts := 0
		for _, chart := range answer.Charts {
			step, ok := strings.CutPrefix(chart.Outcome, "step:")
			if !ok {
				continue
			}
			charts++
			points += len(chart.Cases)
			if d := differs(surgeon+" "+chart.Outcome, chart, naiveStepChart(eyes, surgeon, step, int(prior), chart)); d != "" {
				t.Error(d)
			}
		}
		done := map[string]bool{} // critical steps
		for _, eye := range eyes {
			for _, r := range eye.runs {
				if r.operator == surgeon && eye.charted() && slices.Contains(naiveCritical, r.step) {
					done[r.step] = true
				}
			}
		}
		trainee := !slices.Contains([]string{"consultant", "associate-specialist", "staff-grade"}, standing[i].word("post"))
		if want := map[bool]int{true: len(done), false: 0}[trainee]; charts != want {
			t.Errorf("%s has %d charts of steps, want %d", surgeon, charts, want)
		}
	}
	return runs, points, advised
}

// compareRuns holds every run of every step of a surgeon.
func compareRuns(t *testing.T, eyes []naiveEye, surgeon string, steps []learning.StepRuns) (runs int) {
	t.Helper()
	type told struct{ code, step, seconds, failed string }
	count := map[told]int{} // found, less those that are wanted
	say := func(known bool, v any) string {
		if !known {
			return "unknown"
		}
		return fmt.Sprint(reflect.Indirect(reflect.ValueOf(v)))
	}
	for _, s := range steps {
		for _, r := range s.Runs {
			count[told{r.Case, s.Step, say(r.Seconds != nil, r.Seconds), say(r.Failed != nil, r.Failed)}]++
		}
	}
	for _, eye := range eyes {
		for _, r := range eye.runs {
			if r.operator == surgeon && eye.charted() {
				runs++
				count[told{eye.code, r.step, say(r.seconds != nil, r.seconds), say(r.failed != nil, r.failed)}]--
			}
		}
	}
	for what, n := range count {
		if n != 0 {
			t.Errorf("%s: %+v: %+d found", surgeon, what, n)
		}
	}
	return runs
}
