package main

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"
)

// The figures of the demo, worked out a second time from the published JSON by
// the rules as docs/measures.md words them. Nothing of the folds, the rows or the
// measures is used here, so that a mistake would have to be made twice.

// naiveEvent is one published event; text is the whole of it, by which two
// contents under one identity are told apart.
type naiveEvent struct {
	source, id, kind, department, text string
	time                               time.Time
	data                               map[string]any
}

func (e naiveEvent) word(name string) string { s, _ := e.data[name].(string); return s }

func (e naiveEvent) target() [2]string {
	return [2]string{e.word("target_source"), e.word("target_id")}
}

// mayCorrect: a correction counts from the source of its target, or from the
// quality officers' own desk.
func (e naiveEvent) mayCorrect() bool {
	return e.source == e.target()[0] || e.source == "quality-desk"
}

func inOrder(a, b naiveEvent) int {
	return cmp.Or(a.time.Compare(b.time), cmp.Compare(a.source, b.source), cmp.Compare(a.id, b.id))
}

// naiveRead decodes what was published, by subject.
func naiveRead(t testing.TB, bodies [][]byte) map[string][]naiveEvent {
	t.Helper()
	out := map[string][]naiveEvent{}
	for _, body := range bodies {
		var e struct {
			ID, Source, Type, Subject, Department string
			Time                                  time.Time
			Data                                  map[string]any
		}
		if err := json.Unmarshal(body, &e); err != nil {
			t.Fatal(err)
		}
		out[e.Subject] = append(out[e.Subject], naiveEvent{source: e.Source, id: e.ID, kind: e.Type, department: e.Department,
			text: string(body), time: e.Time, data: e.Data})
	}
	return out
}

const (
	kindAmended   = "lensledger.event.amended.v1"
	kindRetracted = "lensledger.event.retracted.v1"
)

// naiveStanding applies the corrections among the events of one subject.
func naiveStanding(all []naiveEvent) []naiveEvent {
	contents := map[[2]string][]naiveEvent{}
	for _, e := range all {
		key := [2]string{e.source, e.id}
		if !slices.ContainsFunc(contents[key], func(o naiveEvent) bool { return o.text == e.text }) {
			contents[key] = append(contents[key], e)
		}
	}
	var retractions, amendments []naiveEvent
	for _, es := range contents {
		if len(es) == 1 && es[0].mayCorrect() {
			switch es[0].kind {
			case kindRetracted:
				retractions = append(retractions, es[0])
			case kindAmended:
				amendments = append(amendments, es[0])
			}
		}
	}
	slices.SortFunc(retractions, func(a, b naiveEvent) int { return inOrder(b, a) })
	gone := map[[2]string]bool{}
	for _, r := range retractions {
		if !gone[[2]string{r.source, r.id}] {
			gone[r.target()] = true
		}
	}
	slices.SortFunc(amendments, inOrder)
	var out []naiveEvent
	for key, es := range contents {
		if es[0].kind == kindAmended || es[0].kind == kindRetracted || gone[key] {
			continue
		}
		first := slices.MinFunc(es, inOrder) // by time
		e, amended := first, false
		for _, a := range amendments { // the latest comes last
			if a.target() == key && !gone[[2]string{a.source, a.id}] {
				data := a.data["data"].(map[string]any)
				if data["unusable"] != nil { // no payload has such a field
					continue
				}
				e.data, amended, e.time = data, true, first.time
				if at, err := time.Parse(time.RFC3339, a.word("occurred_at")); err == nil {
					e.time = at
				}
			}
		}
		if amended || len(es) == 1 {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, inOrder)
	return out
}

// naiveCases gives the standing events of each operation: joined codes under the
// smallest of them.
func naiveCases(bySubject map[string][]naiveEvent) map[string][]naiveEvent {
	standing := map[string][]naiveEvent{}
	for subject, es := range bySubject {
		standing[subject] = naiveStanding(es)
	}
	smallest := map[string]string{}
	for code := range standing {
		smallest[code] = code
	}
	for changed := true; changed; {
		changed = false
		for code, es := range standing {
			for _, e := range es {
				if other := e.word("other_case"); other != "" {
					low := min(smallest[code], smallest[other])
					changed = changed || smallest[code] != low || smallest[other] != low
					smallest[code], smallest[other] = low, low
				}
			}
		}
	}
	out := map[string][]naiveEvent{}
	for code, es := range standing {
		out[smallest[code]] = append(out[smallest[code]], es...)
	}
	for _, es := range out {
		slices.SortFunc(es, inOrder)
	}
	return out
}

// naiveOperation is one operation with what the figures need of it.
type naiveOperation struct {
	code, department, responsible, first string
	day                                  string
	start                                time.Time
	excluded                             string
	rupture, timed                       bool
	cause                                string
	stopped                              *bool // the first operator, unplanned
	composite, expected                  int64 // x 10^6, x 10^9
	unknown                              []string
	parts                                []naivePart
}

// naivePart is one operator's part in it.
type naivePart struct {
	surgeon        string
	whole, rupture bool
	began          bool // of an abandoned operation: is on record with a step from sculpting through cortex aspiration
	abandoned      bool
	stopped        *bool
}

func (p naivePart) enters() bool {
	return p.whole || p.stopped != nil && *p.stopped || p.abandoned && (p.began || p.rupture)
}

// naiveOperate reads an operation from its standing events; false where there is
// none.
func naiveOperate(code string, es []naiveEvent) (naiveOperation, bool) {
	var start, booked, preop *naiveEvent
	var changes, steps, complications []naiveEvent
	for i, e := range es {
		switch e.kind {
		case "lensledger.case.cancelled.v1":
			if e.word("stage") != "after-incision" {
				start = nil
			}
		case "lensledger.case.started.v1":
			if start == nil {
				start = &es[i]
			}
		case "lensledger.case.booked.v1":
			booked = &es[i]
		case "lensledger.operator.changed.v1":
			changes = append(changes, e)
		case "lensledger.step.started.v1", "lensledger.step.finished.v1":
			steps = append(steps, e)
		case "lensledger.complication.recorded.v1":
			complications = append(complications, e)
		}
	}
	if start == nil {
		return naiveOperation{}, false
	}
	op := naiveOperation{code: code, department: start.department, responsible: start.word("responsible_consultant"),
		first: start.word("first_operator"), day: start.time.Format(time.DateOnly), start: start.time}
	ended, abandoned := false, false
	var end time.Time
	for i, e := range es {
		switch {
		case e.kind == "lensledger.preop.assessed.v1" && !e.time.After(start.time):
			preop = &es[i]
		case e.kind == "lensledger.case.finished.v1":
			ended, end = true, e.time
			length := e.time.Sub(start.time)
			op.timed = length >= time.Minute && length <= 6*time.Hour
		case e.kind == "lensledger.case.cancelled.v1":
			abandoned = e.word("stage") == "after-incision" // the last cancellation stands
		}
	}
	for _, c := range complications {
		zonule := c.word("kind") == "zonule-rupture" || c.word("kind") == "zonular-dialysis"
		vitreous := c.word("vitreous") == "prolapse" || c.word("vitreous") == "loss"
		if !op.rupture && (c.word("kind") == "posterior-capsule-rupture" || zonule && vitreous) {
			op.rupture, op.cause = true, naiveCause(op.first, changes, c, end)
		}
	}
	var age any
	if preop != nil {
		age = preop.data["age_years"]
	}
	if booked != nil && op.responsible == "" {
		op.responsible = booked.word("responsible_consultant")
	}
	years, aged := age.(float64)
	switch {
	case booked != nil && !slices.Contains([]string{"", "phacoemulsification", "laser-assisted"}, booked.word("procedure")):
		op.excluded = "other-procedure"
	case booked != nil && booked.data["combined_with"] != nil && len(booked.data["combined_with"].([]any)) > 0:
		op.excluded = "combined"
	case aged && years < 18:
		op.excluded = "under-18"
	case !ended && !abandoned && !op.rupture:
		op.excluded = "not-finished"
	}
	op.risk(preop)
	op.divide(changes, steps, abandoned && !ended)
	return op, true
}

// naiveOperations reads all operations, in the order of charts.
func naiveOperations(bySubject map[string][]naiveEvent) []naiveOperation {
	var out []naiveOperation
	for code, es := range naiveCases(bySubject) {
		if op, ok := naiveOperate(code, es); ok {
			out = append(out, op)
		}
	}
	slices.SortFunc(out, func(a, b naiveOperation) int { return cmp.Or(a.start.Compare(b.start), cmp.Compare(a.code, b.code)) })
	return out
}

// naiveUnplanned says whether a hand-over was unplanned; nil is unknown.
func naiveUnplanned(change naiveEvent) *bool {
	planned, stated := change.data["planned"].(bool)
	reason := change.word("reason")
	unplanned := !planned
	if !stated {
		if reason == "" {
			return nil
		}
		unplanned = reason == "difficulty" || reason == "complication"
	}
	return &unplanned
}

// naiveCause is who caused a rupture.
func naiveCause(first string, changes []naiveEvent, c naiveEvent, end time.Time) string {
	if by := c.word("caused_by"); by != "" {
		return by
	}
	at := first
	for _, change := range changes {
		if u := naiveUnplanned(change); u != nil && *u {
			return change.word("from")
		}
	}
	// Noticed after the end of an operation of several hands.
	severalHands := slices.ContainsFunc(changes, func(change naiveEvent) bool {
		return change.word("from") != first || change.word("to") != first
	})
	if !end.IsZero() && c.time.After(end) && severalHands {
		return "undetermined"
	}
	for _, change := range changes {
		if !change.time.After(c.time) {
			at = change.word("to")
		}
	}
	return at
}

// The part of an operation that makes a whole case, by step.
var (
	naiveBefore = []string{"draping", "side-port", "viscoelastic", "capsule-dye", "pupil-management", "main-incision", "capsulorhexis",
		"hydrodissection", "hydrodelineation"}
	naiveWithin = []string{"sculpting", "cracking", "segment-removal", "epinucleus-removal", "cortex-aspiration"}
)

// divide says who did what: a whole case is that of the only operator from
// sculpting through cortex aspiration; one abandoned before the cortex is nobody's.
func (op *naiveOperation) divide(changes, steps []naiveEvent, abandoned bool) {
	operators, sharing := []string{op.first}, map[string]bool{}
	atSculpting := op.first
	for _, c := range changes {
		for _, name := range []string{"from", "to"} {
			if !slices.Contains(operators, c.word(name)) {
				operators = append(operators, c.word(name))
			}
		}
		begun, took := false, false // a step of the part before the hand-over; the named step by whoever took over
		for _, s := range steps {
			if slices.Contains(naiveWithin, s.word("step")) {
				begun = begun || s.time.Before(c.time)
				took = took || s.word("step") == c.word("step") && s.word("operator") == c.word("to")
			}
		}
		switch step := c.word("step"); {
		case slices.Contains(naiveWithin, step) && took && !begun:
			atSculpting = c.word("to")
		case step == "" || slices.Contains(naiveWithin, step): // the demo places each hand-over, so none is placed by time here
			sharing[c.word("from")], sharing[c.word("to")] = true, true
		case slices.Contains(naiveBefore, step):
			atSculpting = c.word("to")
		}
	}
	recorded := false
	for _, s := range steps {
		if by := s.word("operator"); by != "" && slices.Contains(naiveWithin, s.word("step")) {
			sharing[by], recorded = true, true
		}
	}
	if !recorded {
		sharing[atSculpting] = true
	}
	reached := slices.ContainsFunc(steps, func(s naiveEvent) bool { return s.word("step") == "cortex-aspiration" })
	for _, surgeon := range operators {
		p := naivePart{surgeon: surgeon, whole: len(sharing) == 1 && sharing[surgeon] && (reached || !abandoned), stopped: new(bool), abandoned: abandoned}
		p.began = slices.ContainsFunc(steps, func(s naiveEvent) bool {
			return s.word("operator") == surgeon && slices.Contains(naiveWithin, s.word("step"))
		})
		for _, c := range changes {
			if c.word("from") != surgeon {
				continue
			}
			switch u := naiveUnplanned(c); {
			case u == nil && (p.stopped == nil || !*p.stopped):
				p.stopped = nil
			case u != nil && *u:
				p.stopped = u
			}
		}
		p.rupture = op.rupture && (op.cause == surgeon || op.cause == "undetermined" || p.stopped != nil && *p.stopped)
		if surgeon == op.first {
			op.stopped = p.stopped
		}
		op.parts = append(op.parts, p)
	}
}

func logit(p float64) float64 { return math.Log(p / (1 - p)) }
func expit(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// National reference: Sim PY, Donachie PHJ, Day AC, Buchan JC. Eye 2024,
// 10.1038/s41433-024-03344-2. The model: Narendran N et al. Eye 2009;23:31-37; its
// reference patient and its population's rate are from memory.
const (
	naiveReference = 9730. / 961208
	naivePRef      = .00736
	naiveModelRate = .0192
)

// naiveCentred is the model's probability for a composite odds ratio in
// millionths, its intercept shifted so that its population has the given rate.
func naiveCentred(rate float64, composite int64) float64 {
	return expit(logit(naivePRef) + logit(rate) - logit(naiveModelRate) + math.Log(float64(composite)/1e6))
}

// naivePartner pairs the factors that share one odds ratio.
var naivePartner = map[string]string{
	"white_cataract": "brunescent_cataract", "brunescent_cataract": "white_cataract",
	"no_fundal_view": "vitreous_opacities", "vitreous_opacities": "no_fundal_view",
	"pseudoexfoliation": "phacodonesis", "phacodonesis": "pseudoexfoliation",
}

// risk multiplies the odds ratios of what is known; what isn't stands at 1.
func (op *naiveOperation) risk(preop *naiveEvent) {
	data := map[string]any{}
	if preop != nil {
		data = preop.data
	}
	for _, name := range []string{"age_years", "sex", "glaucoma", "diabetic_retinopathy", "white_cataract", "brunescent_cataract",
		"no_fundal_view", "vitreous_opacities", "pseudoexfoliation", "phacodonesis", "pupil", "axial_length_um", "alpha_blocker", "can_lie_flat"} {
		// An unknown one doesn't matter where its partner in the same term is yes.
		if data[name] == nil && data[naivePartner[name]] != true {
			op.unknown = append(op.unknown, name)
		}
	}
	composite := 1.0
	times := func(holds bool, ratio float64) {
		if holds {
			composite *= ratio
		}
	}
	age, _ := data["age_years"].(float64)
	times(age >= 60 && age < 70, 1.14)
	times(age >= 70 && age < 80, 1.42)
	times(age >= 80 && age < 90, 1.58)
	times(age >= 90, 2.37)
	times(data["sex"] == "male", 1.28)
	times(data["glaucoma"] == true, 1.30)
	times(data["diabetic_retinopathy"] == true, 1.63)
	times(data["brunescent_cataract"] == true || data["white_cataract"] == true, 2.99)
	times(data["no_fundal_view"] == true || data["vitreous_opacities"] == true, 2.46)
	times(data["pseudoexfoliation"] == true || data["phacodonesis"] == true, 2.92)
	times(data["pupil"] == "medium", 1.14)
	times(data["pupil"] == "small", 1.45)
	length, _ := data["axial_length_um"].(float64)
	times(length >= 26_000, 1.47)
	times(data["alpha_blocker"] == "doxazosin", 1.51)
	times(data["can_lie_flat"] == false, 1.27)
	op.composite = int64(math.Round(composite * 1e6))
	op.expected = int64(math.Round(naiveCentred(naiveReference, op.composite) * 1e9))
}

// naiveFigure is a rupture figure of some operations.
func naiveFigure(events, n int, expected int64) ruptureFigure {
	f := ruptureFigure{Events: events, N: n, Expected: float64(expected) / 1e9}
	if n < 25 { // counts only
		return f
	}
	rate, wilson, exact := float64(events)/float64(n), naiveWilson(events, n), naiveExact(events, 1, binomialAtMost(n))
	adjusted := float64(events) / f.Expected * naiveReference
	around := naiveExact(events, 10*float64(events)+50, poissonAtMost)
	around.Lower, around.Upper = around.Lower/f.Expected*naiveReference, around.Upper/f.Expected*naiveReference
	f.Rate, f.Interval, f.Exact, f.Adjusted, f.AdjustedInterval = &rate, &wilson, &exact, &adjusted, &around
	return f
}

// naiveBenchmark is a department's figures for some days, both included.
func naiveBenchmark(operations []naiveOperation, department, from, to string) benchmarkAnswer {
	out := benchmarkAnswer{Excluded: map[string]int{}}
	unknown := map[string]int{}
	var expected int64
	ruptures := 0
	for _, op := range operations {
		if op.department != department || op.day < from || op.day > to {
			continue
		}
		if op.excluded != "" {
			out.Excluded[op.excluded]++
			continue
		}
		out.Operations++
		expected += op.expected
		for _, name := range op.unknown {
			unknown[name]++
		}
		if op.rupture {
			ruptures++
		}
		if op.timed {
			out.Complete.Timed.Events++
		}
		if op.stopped != nil {
			out.Takeover.N++
			if *op.stopped {
				out.Takeover.Events++
			}
		}
	}
	out.Complete.Unfinished = out.Excluded["not-finished"]
	out.Rupture = naiveFigure(ruptures, out.Operations, expected)
	out.Rupture.Unknown = unknown
	out.Complete.Timed.N = out.Operations
	for _, f := range []*countedFigure{&out.Takeover, &out.Complete.Timed} {
		if f.N >= 25 {
			rate, wilson := float64(f.Events)/float64(f.N), naiveWilson(f.Events, f.N)
			f.Rate, f.Interval = &rate, &wilson
		}
	}
	return out
}

// naiveBySurgeon gives the rupture figures under one view of whose they are.
func naiveBySurgeon(operations []naiveOperation, view, department, from, to string) map[string]ruptureFigure {
	events, n, expected := map[string]int{}, map[string]int{}, map[string]int64{}
	add := func(surgeon string, op naiveOperation, ruptured bool) {
		n[surgeon]++
		expected[surgeon] += op.expected
		if ruptured {
			events[surgeon]++
		}
	}
	for _, op := range operations {
		if op.department != department || op.day < from || op.day > to || op.excluded != "" {
			continue
		}
		switch view {
		case "responsible-consultant":
			if op.responsible != "" {
				add(op.responsible, op, op.rupture)
			}
		case "first-operator":
			add(op.first, op, op.rupture)
		case "operator-at-cause":
			for _, p := range op.parts {
				if caused := op.rupture && op.cause == p.surgeon; caused || p.enters() {
					add(p.surgeon, op, caused)
				}
			}
		}
	}
	out := map[string]ruptureFigure{}
	for surgeon := range n {
		out[surgeon] = naiveFigure(events[surgeon], n[surgeon], expected[surgeon])
	}
	return out
}

// naiveChart draws a surgeon's chart: Steiner SH et al. Biostatistics
// 2000;1:441-452 for detection, Biau DJ et al. Br J Surg 2008;95:925-929 for
// competence. Of the answer it is held against it takes the design alone.
func naiveChart(operations []naiveOperation, surgeon string, prior int, answer chartAnswer) chartAnswer {
	d := answer.Design
	out := chartAnswer{Outcome: answer.Outcome, Kind: answer.Kind, Design: d}
	number, value, crossed := prior, 0.0, false
	for _, op := range operations {
		i := slices.IndexFunc(op.parts, func(p naivePart) bool { return p.surgeon == surgeon })
		if i < 0 || op.excluded != "" && op.excluded != "not-finished" {
			continue
		}
		part := op.parts[i]
		if part.whole {
			number++
		}
		happened, known := part.rupture, op.excluded == ""
		if out.Outcome == "unplanned-takeover" {
			happened, known = part.stopped != nil && *part.stopped, known && part.stopped != nil
		}
		switch {
		case !part.enters():
			out.Parts++
			continue
		case !known:
			out.LeftOut++
			continue
		case d.Closes != nil && len(out.Cases) >= *d.Closes:
			out.Closed = true
			continue
		}
		c := chartCase{Case: op.code, Number: number, Expected: d.Acceptable}
		if happened {
			c.Outcome = 1
		}
		if out.Kind == "competence" {
			c.Score = math.Log((1 - d.Acceptable) / (1 - d.Unacceptable))
			if happened {
				c.Score = math.Log(d.Acceptable / d.Unacceptable)
			}
		} else {
			if d.Model != "" {
				c.Expected = naiveCentred(d.Acceptable, op.composite)
			}
			ratio := math.Exp(logit(d.Unacceptable) - logit(d.Acceptable))
			c.Score = -math.Log(1 - c.Expected + ratio*c.Expected)
			if happened {
				c.Score += math.Log(ratio)
			}
		}
		value = max(0, value+c.Score)
		c.Value, c.Crossed = value, value >= d.Threshold
		if c.Crossed && !crossed && out.Kind == "detection" {
			out.Alarms = append(out.Alarms, crossing{Case: c.Case})
		}
		crossed = crossed || c.Crossed
		out.Cases = append(out.Cases, c)
	}
	return out
}
