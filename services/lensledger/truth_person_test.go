package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/services/access"
)

// truthCase is one operation of the demo: what its own record says of who was
// meant to do what, and what the rules of the demo then expect of it.
type truthCase struct {
	naiveOperation
	trainee   string // for whom it was planned, "" for nobody
	done      int    // whole cases that the trainee had done before
	charted   int    // of this record: cases done or stopped before
	whole     bool   // the trainee did everything from sculpting through cortex aspiration
	taken     bool   // from the trainee, unplanned
	part      bool   // planned as a part
	abandoned bool
	wants     float64
	mine      float64 // the share of it in the trainee's hands
	others    float64 // of the expectation, what rests on the consultant
	takeover  float64
}

// truthStages: "segment removal 44 %, cortex 21, cracking 14, rhexis extension 8,
// implant 7, hydrodissection 3". The 3 % left open are given to sculpting.
var truthStages = map[string]float64{"segment-removal": .44, "cortex-aspiration": .21, "cracking": .14, "capsulorhexis": .08,
	"lens-insertion": .07, "hydrodissection": .03, "sculpting": .03}

// truthBands are limits of cases done, the last without one.
type truthBand struct {
	upTo     int
	rupture  float64
	takeover float64
}

// "Rupture by cases done: 0-50 3.8 %, 51-100 2.6, 101-200 1.8, 201-300 1.1, above
// 0.6"; "unplanned take-over: cases 0-25 28 %, 26-50 20, 51-100 12, 101-200 7,
// 201-300 4, above 2".
var truthBandsOf = []truthBand{{25, .038, .28}, {50, .038, .20}, {100, .026, .12}, {200, .018, .07}, {300, .011, .04}, {math.MaxInt, .006, .02}}

func truthBandAt(done int) int {
	return slices.IndexFunc(truthBandsOf, func(b truthBand) bool { return done <= b.upTo })
}

// truthRate is a trainee's own rate: "one who drifts from 2 to 10 % for 80 or more
// cases, one who improves from 6 to 1 %". The drift begins at the 61st case on the
// chart, the improvement takes 100 (settings of events/simulate).
func truthRate(story string, done, charted int) float64 {
	switch {
	case strings.HasPrefix(story, "drifts") && charted < 60:
		return .02
	case strings.HasPrefix(story, "drifts"):
		return .10
	case strings.HasPrefix(story, "improves"):
		return .06 - .05*float64(min(charted, 100))/100
	}
	return truthBandsOf[truthBandAt(done)].rupture
}

// truthConsultant is a consultant's mean rate: "median 0.8 (log-SD 0.35)".
var truthConsultant = .008 * math.Exp(.35*.35/2)

// truthMeanOdds is the mean composite odds ratio of all eyes, to which "patient
// risk is rescaled to mean 1": the mean of a product of independent factors. "Age
// 76 +- 9, women 57 %, glaucoma 9, diabetic retinopathy 5, pupil medium 4 small 20,
// white or brunescent 3.5, no view 1.5, pseudoexfoliation or phacodonesis 1.3, 26 mm
// or longer 5, doxazosin 2.5, cannot lie flat 1.5"; odds ratios of the 2009 model.
func truthMeanOdds() float64 {
	under := func(age float64) float64 { return math.Erfc((76-age)/(9*math.Sqrt2)) / 2 }
	product := under(60) + 1.14*(under(70)-under(60)) + 1.42*(under(80)-under(70)) + 1.58*(under(90)-under(80)) + 2.37*(1-under(90))
	for _, f := range [][2]float64{{.43, 1.28}, {.09, 1.30}, {.05, 1.63}, {.035, 2.99}, {.015, 2.46}, {.013, 2.92}, {.05, 1.47}, {.025, 1.51}, {.015, 1.27}} {
		product *= 1 + f[0]*(f[1]-1)
	}
	return product * (1 + .04*.14 + .20*.45)
}

// readCases reads who was to do what from the published events. An unknown risk
// factor, one in seventy, stands at 1, which takes about 1 % off the expectation.
func (c *truth) readCases(bySubject map[string][]naiveEvent) []truthCase {
	var out []truthCase
	events := naiveCases(bySubject)
	for code, es := range events {
		if op, ok := naiveOperate(code, es); ok {
			out = append(out, truthCase{naiveOperation: op})
		}
	}
	slices.SortFunc(out, func(a, b truthCase) int { return cmp.Or(a.start.Compare(b.start), cmp.Compare(a.code, b.code)) })
	done, charted, mean := map[string]int{}, map[string]int{}, truthMeanOdds()
	for i := range out {
		op := &out[i]
		owners := op.readRoles(events[op.code])
		if op.trainee != "" {
			op.done, op.charted = c.surgeons[op.trainee].PriorWholeCases+done[op.trainee], charted[op.trainee]
		}
		own, theirs := 0.0, 0.0
		for step, owner := range owners {
			if owner == op.trainee {
				own += truthStages[step] * truthRate(c.surgeons[op.trainee].Story, op.done, op.charted)
			} else {
				theirs += truthStages[step] * truthConsultant
			}
		}
		odds := (own + theirs) / (1 - own - theirs) * float64(op.composite) / 1e6 / mean
		op.wants = odds / (1 + odds)
		if own+theirs > 0 {
			op.mine, op.others = own/(own+theirs), op.wants*theirs/(own+theirs)
		}
		if op.trainee == "" || op.abandoned {
			continue
		}
		op.takeover = truthBandsOf[truthBandAt(op.done)].takeover
		if op.whole {
			done[op.trainee]++
		}
		if op.whole || op.taken {
			charted[op.trainee]++
		}
	}
	return out
}

// readRoles says who was to do each stage: by the record of the steps, and after an
// unplanned take-over as it was before.
func (op *truthCase) readRoles(es []naiveEvent) map[string]string {
	owners, began, ended := map[string]string{}, map[string]string{}, map[string]string{}
	var taken time.Time
	for _, e := range es {
		switch step := e.word("step"); e.kind {
		case "lensledger.case.booked.v1":
			if who := e.word("planned_first_operator"); strings.HasPrefix(who, "S-") {
				op.trainee = who
			}
		case "lensledger.case.cancelled.v1":
			op.abandoned = true
		case "lensledger.operator.changed.v1":
			if planned, _ := e.data["planned"].(bool); planned {
				op.part = true
			} else {
				op.taken, taken = true, e.time
			}
		case "lensledger.step.started.v1":
			began[step] = e.word("operator")
			if owners[step] = e.word("operator"); !taken.IsZero() {
				owners[step] = op.trainee
			}
		case "lensledger.step.finished.v1":
			ended[step] = e.word("operator")
		}
	}
	op.whole = op.trainee != "" && !op.abandoned
	for _, step := range []string{"sculpting", "cracking", "segment-removal", "cortex-aspiration"} {
		op.whole = op.whole && began[step] == op.trainee && ended[step] == op.trainee
	}
	return owners
}

// holdRuptures: each department, and all of them, by who was to operate and how
// hard the eyes were. Take-overs of the first operator by the trainees' counts.
func (c *truth) holdRuptures(t *testing.T, answers map[string]truthAnswer) {
	t.Helper()
	staff := map[string]int{"HARBOUR": 10, "MOORLAND": 8, "FENLAND": 5}
	variance := math.Exp(.35*.35) - 1
	ruptures, wants, spread := 0, 0.0, 0.0
	for code, got := range answers {
		want, others, slots, taken := 0.0, 0.0, 0, 0.0
		for _, op := range c.cases {
			if op.department != code || op.excluded != "" {
				continue
			}
			want, others = want+op.wants, others+op.others
			if op.trainee != "" && op.trainee == op.first {
				slots++
				taken += op.takeover
			}
		}
		own := others * others * variance / float64(staff[code])
		c.number(t, code+" ruptures", got.Rupture.Events, want, own/want/want)
		ruptures, wants, spread = ruptures+got.Rupture.Events, wants+want, spread+own
		c.share(t, code+" take-overs of trainees who began", got.Takeover.Events, slots, taken/float64(slots))
	}
	c.number(t, "ruptures in all", ruptures, wants, spread/wants/wants)
}

// truthPersona is who asks about a trainee: S-014 as themself, the others of
// HARBOUR by their trainer, else a quality officer.
func truthPersona(trainee, department string) access.Actor {
	switch {
	case trainee == "S-014":
		return actors["trainee"]
	case department == "HARBOUR":
		return actors["trainer"]
	}
	return quality(truthHome(trainee, department))
}

// truthTally adds up what was found and what was wanted.
type truthTally struct {
	slots, events int
	wants         float64
}

func (a *truthTally) add(wants float64) { a.slots, a.wants = a.slots+1, a.wants+wants }

// holdTrainees: ruptures and take-overs on the charts, by cases done. On the
// rupture chart stand whole cases and those stopped unplanned: of a planned part
// only a rupture in the trainee's hands that was taken over, as "consultants took
// over in 80.5 % of trainees' ruptures".
func (c *truth) holdTrainees(t *testing.T) {
	t.Helper()
	byCode := map[string]truthCase{}
	rupture, takeover := map[string]*truthTally{}, make([]truthTally, len(truthBandsOf))
	stage := func(op truthCase) *truthTally {
		var name string
		switch story := c.surgeons[op.trainee].Story; {
		case strings.HasPrefix(story, "drifts"):
			name = fmt.Sprint(op.trainee, ", drifted: ", op.charted >= 60)
		case strings.HasPrefix(story, "improves"):
			name = op.trainee + ", who improves"
		default:
			name = fmt.Sprint("up to case ", truthBandsOf[max(1, truthBandAt(op.done))].upTo)
		}
		if rupture[name] == nil {
			rupture[name] = &truthTally{}
		}
		return rupture[name]
	}
	for _, op := range c.cases {
		byCode[op.code] = op
		if op.trainee == "" || op.abandoned {
			continue
		}
		takeover[truthBandAt(op.done)].add(op.takeover)
		if op.part {
			stage(op).add(op.wants * op.mine * .805)
		} else {
			stage(op).add(op.wants)
		}
	}
	for _, s := range c.summary.Surgeons {
		if !strings.HasPrefix(s.Code, "S-") {
			continue
		}
		var answer struct{ Charts []chartAnswer }
		c.w.get(t, truthPersona(s.Code, s.Department), "/v1/surgeons/"+s.Code+"/charts?kind=detection", &answer)
		taken := 0
		for _, chart := range answer.Charts {
			for _, one := range chart.Cases {
				switch op := byCode[one.Case]; {
				case op.trainee != s.Code:
					t.Errorf("%s: %s on the chart of %s was planned for %q", chart.Outcome, one.Case, s.Code, op.trainee)
				case chart.Outcome == "capsule-rupture":
					stage(op).events += one.Outcome
				case chart.Outcome == "unplanned-takeover":
					taken += one.Outcome
					takeover[truthBandAt(op.done)].events += one.Outcome
				}
			}
		}
		c.equal(t, s.Code+" take-overs on the chart", taken, s.Takeovers)
		c.holdCaseNumber(t, s.Code, s.WholeCases)
	}
	for name, a := range rupture {
		c.share(t, "ruptures on charts, "+name, a.events, a.slots, a.wants/float64(a.slots))
	}
	for i, a := range takeover {
		c.share(t, fmt.Sprintf("take-overs up to case %d", truthBandsOf[i].upTo), a.events, a.slots, a.wants/float64(a.slots))
	}
}

func (c *truth) holdCaseNumber(t *testing.T, trainee string, whole int) {
	t.Helper()
	var got struct {
		Whole int `json:"whole_cases"`
		Part  int `json:"part_cases"`
	}
	s := c.surgeons[trainee]
	c.w.get(t, truthPersona(trainee, s.Department), "/v1/surgeons/"+trainee+"/progress", &got)
	own := 0
	for _, op := range c.cases {
		if op.trainee != trainee {
			continue
		}
		if op.whole {
			own++
		}
	}
	c.equal(t, trainee+" whole cases by their steps", own, s.WholeCases)
	c.equal(t, trainee+" whole cases", got.Whole, whole)
	c.equal(t, trainee+" operations", got.Whole+got.Part, s.Slots)
}

// holdAlarms: the drifting trainee's chart crosses after the drift began, and "one
// chart that signals by chance", which is that of C-16.
func (c *truth) holdAlarms(t *testing.T) {
	t.Helper()
	byCode := map[string]truthCase{}
	for _, op := range c.cases {
		byCode[op.code] = op
	}
	var found []string
	for _, d := range c.summary.Departments {
		var got struct {
			Alarms []struct{ Surgeon, Outcome, Kind, Case string }
		}
		c.w.get(t, truthOfficer(d.Code), "/v1/alarms", &got)
		for _, a := range got.Alarms {
			found = append(found, d.Code+" "+a.Surgeon+" "+a.Outcome+" "+a.Kind)
			if op := byCode[a.Case]; strings.HasPrefix(c.surgeons[a.Surgeon].Story, "drifts") && op.charted < 60 {
				t.Errorf("%s crossed at its case %d, before the drift", a.Surgeon, op.charted+1)
			}
		}
	}
	slices.Sort(found)
	want := []string{"HARBOUR S-011 capsule-rupture detection", "MOORLAND C-16 capsule-rupture detection"}
	c.exact++
	if !slices.Equal(found, want) {
		t.Errorf("alarms %v, want %v", found, want)
	}
}

// holdTeaching: advice that took leaves a point in 3 % of cases with the step,
// advice that didn't leaves it in 30 % (settings of events/simulate). The
// denominator is every case with the step, looked at or not, as the scenario draws
// in all of them. Draping and side-port have no record of their own in the demo:
// only cases with the remark are known to have had them, so their share says
// nothing and isn't held.
func (c *truth) holdTeaching(t *testing.T) {
	t.Helper()
	type pointAnswer struct {
		Point string `json:"teaching_point"`
		Steps []string
		After *struct {
			With, Without int
			Not           int `json:"not_looked_at"`
		}
		State string
	}
	var took, returning truthTally
	for _, s := range c.summary.Surgeons {
		if !strings.HasPrefix(s.Code, "S-") {
			continue
		}
		var got struct {
			Feedback struct {
				Points []pointAnswer `json:"teaching_points"`
			}
		}
		c.w.get(t, truthPersona(s.Code, s.Department), "/v1/surgeons/"+s.Code+"/progress", &got)
		for _, p := range s.TeachingPoints {
			i := slices.IndexFunc(got.Feedback.Points, func(a pointAnswer) bool { return a.Point == p.Point })
			if i < 0 || got.Feedback.Points[i].After == nil || p.After.N == 0 {
				continue
			}
			a := got.Feedback.Points[i]
			if slices.Contains(a.Steps, "draping") || slices.Contains(a.Steps, "side-port") {
				continue
			}
			tally := &took
			if p.Returns {
				tally = &returning
				// Ten cases without a point that returns come once in 35 times.
				if a.After.With+a.After.Without >= 10 && a.State != "recurs" && a.State != "stopped" {
					t.Errorf("%s %s: %s", s.Code, a.Point, a.State)
				}
			}
			tally.slots += a.After.With + a.After.Without + a.After.Not
			tally.events += a.After.With
			if s.Code == "S-014" && p.Returns {
				c.exact++
				if a.Point != "rhexis-centred" || a.State != "recurs" {
					t.Errorf("S-014: %s is %s, want rhexis-centred to recur", a.Point, a.State)
				}
			}
		}
	}
	c.share(t, "points after advice that took", took.events, took.slots, .03)
	c.share(t, "points after advice that didn't", returning.events, returning.slots, .30)
}
