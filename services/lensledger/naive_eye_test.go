package main

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"
)

// What came of each eye, worked out a second time from the published JSON: acuity,
// refraction, astigmatism, findings. The rules are those of docs/measures.md.

// naiveAcuity is one acuity: hundredths of logMAR, or a word below the chart.
type naiveAcuity struct {
	hundredths int
	word       string
}

// Words from the best to the worst, and their hundredths in convention A.
var (
	naiveWords   = []string{"counting-fingers", "hand-movements", "light-perception", "no-light-perception"}
	naiveNumbers = []int{190, 230, 270, 300}
)

// size orders acuities, of numbers and words: greater is worse.
func (a naiveAcuity) size() int {
	if i := slices.Index(naiveWords, a.word); i >= 0 {
		return naiveNumbers[i]
	}
	return a.hundredths
}

// lost says whether an eye lost vision: a worse word, or 30 hundredths.
func (a naiveAcuity) lost(after naiveAcuity) bool {
	if a.word != "" && after.word != "" {
		return slices.Index(naiveWords, after.word) > slices.Index(naiveWords, a.word)
	}
	return after.size()-a.size() >= 30
}

// atLeast says whether it is that good; a word never is.
func (a *naiveAcuity) atLeast(hundredths int) bool {
	return a != nil && a.word == "" && a.hundredths <= hundredths
}

// naiveBest is the best acuity of some events under some corrections.
func naiveBest(es []naiveEvent, corrections ...string) *naiveAcuity {
	var best *naiveAcuity
	for _, e := range es {
		list, _ := e.data["acuity"].([]any)
		for _, one := range list {
			m := one.(map[string]any)
			if correction, _ := m["correction"].(string); !slices.Contains(corrections, correction) {
				continue
			}
			number, _ := m["logmar_hundredths"].(float64)
			word, _ := m["low_vision"].(string)
			if a := (naiveAcuity{int(number), word}); best == nil || a.size() < best.size() {
				best = &a
			}
		}
	}
	return best
}

// naiveDate is the calendar date of an event at its own offset.
func naiveDate(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func naiveDays(from, to time.Time) int {
	return int(naiveDate(to).Sub(naiveDate(from)) / (24 * time.Hour))
}

// naiveLatestDay keeps the events of the latest day among some.
func naiveLatestDay(es []naiveEvent) []naiveEvent {
	var out []naiveEvent
	for _, e := range es {
		if len(out) > 0 && naiveDate(e.time).After(naiveDate(out[0].time)) {
			out = nil
		}
		if len(out) == 0 || naiveDate(e.time).Equal(naiveDate(out[0].time)) {
			out = append(out, e)
		}
	}
	return out
}

// naiveEye is an operation with what came of its eye. Refractions and errors are
// in thousandths of a dioptre.
type naiveEye struct {
	naiveOperation
	side                  string
	second                bool
	copathology           string // with, without, unknown
	before, after         *naiveAcuity
	unaided               *naiveAcuity
	achieved              *int
	failure, aim          *int   // against the prediction, against the target
	reason                string // why there is no failure
	lens                  naiveLens
	site                  string
	complications         []string // kinds, each once
	findings              []string
	endophthalmitis       *time.Time // when found within 42 days
	again, closed         bool       // another procedure inside the eye; follow-up closed
	settled, early        *naiveVector
	astigmatismReason     string
	finished              *time.Time
	noted, reviewed       []naiveEvent
	changes, theatreSteps []naiveEvent
	runs                  []naiveRun
}

// naiveLens is what a lens constant is checked for.
type naiveLens struct {
	model, formula, biometer string
	constant                 float64 // -1 when not stated
}

type naiveVector struct{ x, y float64 }

// naiveEyes reads the eye of each operation.
func naiveEyes(bySubject map[string][]naiveEvent) []naiveEye {
	var out []naiveEye
	for code, es := range naiveCases(bySubject) {
		if op, ok := naiveOperate(code, es); ok {
			out = append(out, naiveEyeOf(op, es))
		}
	}
	slices.SortFunc(out, func(a, b naiveEye) int { return cmp.Or(a.start.Compare(b.start), cmp.Compare(a.code, b.code)) })
	return out
}

func naiveEyeOf(op naiveOperation, es []naiveEvent) naiveEye {
	eye := naiveEye{naiveOperation: op, copathology: "unknown", lens: naiveLens{constant: -1}}
	kinds := map[string][]naiveEvent{}
	var assessed []naiveEvent // before the incision
	for _, e := range es {
		kinds[e.kind] = append(kinds[e.kind], e)
		if e.kind == "lensledger.preop.assessed.v1" && !e.time.After(op.start) {
			assessed = append(assessed, e)
		}
	}
	over := op.start // follow-up comes after the operation
	for i, e := range es {
		if e.kind == "lensledger.case.finished.v1" {
			eye.finished = &es[i].time
			if op.timed {
				over = e.time
			}
		}
	}
	of := func(kind string) []naiveEvent {
		out := kinds["lensledger."+kind+".v1"]
		if strings.HasPrefix(kind, "followup.") {
			out = slices.DeleteFunc(out, func(e naiveEvent) bool { return e.time.Before(over) })
		}
		return out
	}
	for _, e := range of("case.booked") { // the last one stands
		eye.side, eye.second = e.word("eye"), e.word("first_or_second_eye") == "second"
	}
	eye.vision(assessed, of("followup.acuity"))
	eye.disease(assessed)
	for _, e := range of("complication.recorded") {
		if !slices.Contains(eye.complications, e.word("kind")) {
			eye.complications = append(eye.complications, e.word("kind"))
		}
	}
	again := eye.found(of("followup.finding"))
	var implants []naiveEvent
	for _, e := range of("lens.implanted") {
		switch {
		case naiveDays(op.start, e.time) <= 0 || len(implants) == 0:
			implants = append(implants, e)
		case again == nil || e.time.Before(*again):
			again = &e.time
		}
	}
	eye.again = again != nil
	eye.refraction(of("followup.refraction"), of("lens.planned"), implants, again)
	eye.astigmatism(assessed, of("followup.keratometry"), again)
	eye.closed = len(of("followup.closed")) > 0
	eye.noted, eye.reviewed, eye.changes = of("technique.noted"), of("case.reviewed"), of("operator.changed")
	for _, e := range es {
		if e.kind == "lensledger.step.started.v1" || e.kind == "lensledger.step.finished.v1" {
			eye.theatreSteps = append(eye.theatreSteps, e)
		}
	}
	eye.runs = eye.readRuns()
	return eye
}

func (eye *naiveEye) vision(assessed, followups []naiveEvent) {
	earliest := naiveDate(eye.start).AddDate(0, -6, 0)
	if earliest.Day() != eye.start.Day() { // no such day: the month's last
		earliest = earliest.AddDate(0, 0, -earliest.Day())
	}
	var before, after []naiveEvent
	for _, e := range assessed {
		if list, _ := e.data["acuity"].([]any); len(list) > 0 && !naiveDate(e.time).Before(earliest) {
			before = append(before, e)
		}
	}
	for _, e := range followups {
		if day := naiveDays(eye.start, e.time); day >= 14 && day <= 180 {
			after = append(after, e)
		}
	}
	before, after = naiveLatestDay(before), naiveLatestDay(after)
	if eye.before = naiveBest(before, "unaided", "corrected"); eye.before == nil {
		eye.before = naiveBest(before, "pinhole")
	}
	eye.after = naiveBest(after, "unaided", "corrected", "pinhole")
	eye.unaided = naiveBest(after, "unaided")
}

// disease says whether another one limits vision, by what was known before.
func (eye *naiveEye) disease(assessed []naiveEvent) {
	if len(assessed) == 0 {
		return
	}
	known := assessed[len(assessed)-1].data
	list, sent := known["ocular_copathology"].([]any)
	glaucoma, diabetic := known["glaucoma"], known["diabetic_retinopathy"]
	switch {
	case len(list) > 0 || glaucoma == true || diabetic == true:
		eye.copathology = "with"
	case sent || glaucoma == false && diabetic == false:
		eye.copathology = "without"
	}
}

// found reads the findings, and gives the time of the first return to theatre.
func (eye *naiveEye) found(findings []naiveEvent) (again *time.Time) {
	settled := false // corneal oedema found when it should have healed
	for _, e := range findings {
		settled = settled || e.word("kind") == "corneal-oedema" && naiveDays(eye.start, e.time) >= 28
	}
	for _, e := range findings {
		kind := e.word("kind")
		switch {
		case kind == "corneal-oedema" && !settled:
			kind = "early-corneal-oedema"
		case kind == "return-to-theatre" && (again == nil || e.time.Before(*again)):
			again = &e.time
		case kind == "endophthalmitis":
			if naiveDays(eye.start, e.time) > 42 {
				continue
			}
			if eye.endophthalmitis == nil {
				day := naiveDate(e.time)
				eye.endophthalmitis = &day
			}
		}
		if !slices.Contains(eye.findings, kind) {
			eye.findings = append(eye.findings, kind)
		}
	}
	return again
}

// naiveThousandths reads dioptres.
func naiveThousandths(v any) int { d, _ := v.(float64); return int(math.Round(d * 1000)) }

// refraction finds what was achieved, what was to be, and why that isn't known.
func (eye *naiveEye) refraction(refractions, plans, implants []naiveEvent, again *time.Time) {
	subjective, late := false, false
	eye.reason = "no-refraction-in-window"
	for _, e := range refractions {
		if day := naiveDays(eye.start, e.time); day < 28 || day > 120 {
			continue
		}
		r := e.data["refraction"].(map[string]any)
		switch {
		case again != nil && naiveDays(e.time, *again) <= 0:
			late, eye.reason = true, "after-another-procedure"
			continue
		case r["method"] == "autorefraction" || r["method"] == "retinoscopy":
			if !late {
				eye.reason = "only-objective-refraction"
			}
			continue
		}
		se := naiveThousandths(r["sphere_d"]) + naiveThousandths(r["cylinder_d"])/2
		subjective, eye.achieved = true, &se
	}
	var implant, plan map[string]any
	for _, e := range implants {
		implant, eye.site = e.data, e.word("site")
		eye.lens.model = e.word("lens_model")
	}
	for _, e := range plans {
		if plan == nil || !e.time.After(eye.start) {
			plan = e.data
		}
	}
	for i := len(plans) - 1; i >= 0 && plans[0].time.After(eye.start); i = -1 {
		plan = plans[i].data // none before the start: the latest
	}
	if plan != nil {
		eye.lens.formula, _ = plan["formula"].(string)
		eye.lens.biometer, _ = plan["biometer"].(string)
		if c, ok := plan["constant"].(float64); ok {
			eye.lens.constant = c
		}
		if target, ok := plan["target_refraction_d"]; ok && target != nil && subjective {
			aim := *eye.achieved - naiveThousandths(target)
			eye.aim = &aim
		}
	}
	if !subjective {
		return
	}
	predicted := naivePrediction(plan, implant)
	switch {
	case implant == nil:
		eye.reason = "no-implant"
	case eye.lens.model == "" || implant["power_d"] == nil:
		eye.reason = "implant-model-unknown"
	case plan == nil:
		eye.reason = "no-lens-plan"
	case predicted == nil:
		eye.reason = "no-prediction-for-the-lens"
	default:
		failure := *eye.achieved - *predicted
		eye.reason, eye.failure = "", &failure
	}
}

// naivePrediction is that of the candidate with the implant's model, power and
// cylinder.
func naivePrediction(plan, implant map[string]any) *int {
	candidates, _ := plan["candidates"].([]any)
	for _, one := range candidates {
		c := one.(map[string]any)
		if implant["power_d"] != nil && c["lens_model"] == implant["lens_model"] && c["power_d"] == implant["power_d"] &&
			naiveThousandths(c["cylinder_d"]) == naiveThousandths(implant["cylinder_d"]) && c["predicted_refraction_d"] != nil {
			predicted := naiveThousandths(c["predicted_refraction_d"])
			return &predicted
		}
	}
	return nil
}

// whyNot says why the eye stands out of the main figure of prediction errors; ""
// when it is in.
func (eye naiveEye) whyNot(secondEyes bool) string {
	switch {
	case eye.second && !secondEyes:
		return "second-eye"
	case len(eye.complications) > 0 || eye.site != "" && eye.site != "bag":
		return "complicated-or-not-in-bag"
	case eye.after != nil && !eye.after.atLeast(30):
		return "worse-than-6-12"
	case eye.reason != "":
		return eye.reason
	case eye.after == nil:
		return "no-acuity-after-in-window"
	case eye.site == "":
		return "implant-site-unknown"
	}
	return ""
}

// naiveCornea is corneal astigmatism as a vector of the double-angle plane; ok is
// false without a meridian.
func naiveCornea(k map[string]any) (v naiveVector, ok bool) {
	if k == nil {
		return v, false
	}
	k1, k2 := k["k1_d"].(float64), k["k2_d"].(float64)
	steep, flat := k["k2_axis_deg"], k["k1_axis_deg"]
	if k1 > k2 {
		steep, flat = flat, steep
	}
	if k1 == k2 {
		return naiveVector{}, true
	}
	degrees, ok := steep.(float64)
	if !ok { // at a right angle to the other one
		degrees, ok = flat.(float64)
		degrees += 90
	}
	amount, angle := math.Abs(k1-k2), 2*degrees*math.Pi/180
	return naiveVector{amount * math.Cos(angle), amount * math.Sin(angle)}, ok
}

// astigmatism finds the induced one, of a left eye mirrored.
func (eye *naiveEye) astigmatism(assessed, followups []naiveEvent, again *time.Time) {
	var before, settled, early map[string]any
	for _, e := range assessed {
		if k, ok := e.data["keratometry"].(map[string]any); ok {
			before = k
		}
	}
	for _, e := range followups {
		k, ok := e.data["keratometry"].(map[string]any)
		day := naiveDays(eye.start, e.time)
		if !ok || again != nil && naiveDays(e.time, *again) <= 0 {
			continue
		}
		switch {
		case day >= 28 && day <= 120:
			settled = k
		case day >= 0 && day <= 14:
			early = k
		}
	}
	induced := func(after map[string]any) *naiveVector {
		if before == nil || after == nil || eye.side == "" {
			return nil
		}
		b, okBefore := naiveCornea(before)
		a, okAfter := naiveCornea(after)
		if !okBefore || !okAfter {
			return nil
		}
		v := naiveVector{math.Round((a.x-b.x)*1e6) / 1e6, math.Round((a.y-b.y)*1e6) / 1e6}
		if eye.side == "left" {
			v.y = -v.y
		}
		return &v
	}
	eye.settled, eye.early = induced(settled), induced(early)
	_, meridian := naiveCornea(before)
	switch {
	case eye.side == "":
		eye.astigmatismReason = "eye-unknown"
	case before == nil:
		eye.astigmatismReason = "no-keratometry-before"
	case meridian && settled == nil:
		eye.astigmatismReason = "no-settled-keratometry"
	case eye.settled == nil:
		eye.astigmatismReason = "no-meridian"
	}
}
