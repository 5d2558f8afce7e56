package simulate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lensledger/events"
)

// standing is the demo's events with corrections resolved, by case, joined codes
// under one, in order of time. Tests only read it.
var standing = sync.OnceValue(func() map[string][]events.Event {
	all := map[events.Identity]events.Event{}
	retracted := map[events.Identity]bool{}
	var amendments []events.Event
	for e := range Demo().Events() {
		switch d := e.Data.(type) {
		case *events.EventAmended:
			amendments = append(amendments, e)
		case *events.EventRetracted:
			retracted[events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}] = true
		default:
			all[e.Identity()] = e
		}
	}
	for _, a := range amendments {
		d := a.Data.(*events.EventAmended)
		target := events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}
		if e, ok := all[target]; ok && !retracted[a.Identity()] {
			data, problems := events.DecodeData(d.TargetType, d.Data)
			if len(problems) > 0 {
				panic(fmt.Sprintf("%v: %v", target, problems))
			}
			e.Data = data
			all[target] = e
		}
	}
	joined := map[string]string{}
	for id, e := range all {
		if j, ok := e.Data.(*events.CaseJoined); ok && !retracted[id] {
			joined[e.Subject] = string(j.OtherCase)
		}
	}
	cases := map[string][]events.Event{}
	for id, e := range all {
		if retracted[id] {
			continue
		}
		code := e.Subject
		if other, ok := joined[code]; ok {
			code = other
		}
		cases[code] = append(cases[code], e)
	}
	for _, es := range cases {
		slices.SortFunc(es, func(a, b events.Event) int {
			if c := a.Time.Compare(b.Time); c != 0 {
				return c
			}
			return strings.Compare(a.ID, b.ID)
		})
	}
	return cases
})

// seenEye is what one case's events say of its eye.
type seenEye struct {
	department              string
	started                 time.Time
	combined, copathology   bool
	before, after           int64 // best in hundredths of logMAR; none and low vision below
	noBefore, lowBefore     bool
	seen, low, refracted    bool
	refractedAt, returnedAt time.Time
	se, predicted           int64 // thousandths of a dioptre
	matched                 bool
}

const none = int64(1 << 40)

func best(list []events.Acuity) (value int64, low bool) {
	value = none
	for _, a := range list {
		if a.LowVision != "" {
			low = true
		} else {
			value = min(value, a.LogMARHundredths.Value)
		}
	}
	return value, low
}

// look reads one case by the rules: acuity on days 14 to 180, refraction on days
// 28 to 120, a prediction for the model and power implanted.
func look(es []events.Event) (e seenEye, operated bool) {
	e.before, e.noBefore = none, true
	var plan *events.LensPlanned
	var lens *events.LensImplanted
	for _, x := range es {
		switch d := x.Data.(type) {
		case *events.CaseBooked:
			e.combined = len(d.CombinedWith) > 0
		case *events.PreopAssessed:
			e.copathology = len(d.OcularCopathology) > 0
			e.before, e.lowBefore = best(d.Acuity)
			e.noBefore = len(d.Acuity) == 0
		case *events.LensPlanned:
			plan = d
		case *events.CaseStarted:
			e.started, e.department, operated = x.Time, x.Department, true
		case *events.LensImplanted:
			lens = d
		case *events.FollowupAcuity:
			if day := localDay(e.started, x.Time); day >= 14 && day <= 180 {
				e.seen = true
				e.after, e.low = best(d.Acuity)
			}
		case *events.FollowupRefraction:
			if day := localDay(e.started, x.Time); day >= 28 && day <= 120 && d.Refraction.Method == "subjective" {
				e.refracted, e.refractedAt = true, x.Time
				e.se = 10*int64(d.Refraction.SphereD) + 5*int64(d.Refraction.CylinderD.Value)
			}
		case *events.FollowupFinding:
			if d.Kind == events.FindingReturnToTheatre {
				e.returnedAt = x.Time
			}
		}
	}
	if plan != nil && lens != nil {
		for _, c := range plan.Candidates {
			if c.LensModel == lens.LensModel && c.PowerD == lens.PowerD.Value {
				e.matched, e.predicted = true, 10*int64(c.PredictedRefractionD.Value)
			}
		}
	}
	return e, operated
}

// TestEyesAgreeWithTheEvents counts again from the events alone what the summary
// says is on record, corrections resolved: it has to be equal.
func TestEyesAgreeWithTheEvents(t *testing.T) {
	t.Parallel()
	got := map[string]*EyesTruth{}
	for _, es := range standing() {
		e, operated := look(es)
		if !operated || e.combined {
			continue
		}
		if got[e.department] == nil {
			got[e.department] = &EyesTruth{}
		}
		g := got[e.department]
		g.Acuity.add(0, e.seen)
		g.Refraction.add(0, e.refracted)
		if e.refracted && (e.returnedAt.IsZero() || localDay(e.refractedAt, e.returnedAt) > 0) {
			if e.matched {
				off := max(e.se-e.predicted, e.predicted-e.se)
				g.Errors.Eyes++
				g.Errors.Within050.add(0, off <= 500)
				g.Errors.Within100.add(0, off <= 1000)
			} else {
				g.NoPrediction++
			}
		}
		if !e.seen {
			continue
		}
		v := &g.Seen.Without
		if e.copathology {
			v = &g.Seen.With
		}
		v.ZeroOrBetter.add(0, !e.low && e.after <= 0)
		v.ThirtyOrBetter.add(0, !e.low && e.after <= 30)
		if !e.noBefore {
			v.Loss.add(0, !e.lowBefore && e.after-e.before >= 30)
		}
	}
	same := func(name string, got, want Chance) {
		t.Helper()
		if got.N != want.N || got.Count != want.Count {
			t.Errorf("%s: the events say %d of %d, the summary %d of %d", name, got.Count, got.N, want.Count, want.N)
		}
	}
	for _, d := range Demo().Summary().Departments {
		g, s := got[d.Code], d.Eyes
		same(d.Code+" acuity", g.Acuity, s.Acuity)
		same(d.Code+" refraction", g.Refraction, s.Refraction)
		same(d.Code+" within 0.50 D", g.Errors.Within050, s.Errors.Within050)
		same(d.Code+" within 1.00 D", g.Errors.Within100, s.Errors.Within100)
		for i, v := range []struct{ got, want VisionTruth }{{g.Seen.Without, s.Seen.Without}, {g.Seen.With, s.Seen.With}} {
			name := d.Code + []string{" without", " with"}[i]
			same(name+" 0.00 or better", v.got.ZeroOrBetter, v.want.ZeroOrBetter)
			same(name+" 0.30 or better", v.got.ThirtyOrBetter, v.want.ThirtyOrBetter)
			same(name+" loss", v.got.Loss, v.want.Loss)
		}
		if g.NoPrediction != s.NoPrediction || g.Errors.Eyes != s.Errors.Eyes {
			t.Errorf("%s: %d refractions with and %d without a prediction, the summary says %d and %d",
				d.Code, g.Errors.Eyes, g.NoPrediction, s.Errors.Eyes, s.NoPrediction)
		}
	}
}

// TestTeachingAgreesWithTheEvents counts the notes before and after the first
// review that took a point up.
func TestTeachingAgreesWithTheEvents(t *testing.T) {
	t.Parallel()
	type key struct{ trainee, point string }
	type note struct {
		at    time.Time
		point string
	}
	notes, advised := map[string][]note{}, map[key]time.Time{}
	reviews := 0
	for _, es := range standing() {
		trainee := ""
		for _, e := range es {
			switch d := e.Data.(type) {
			case *events.CaseBooked:
				trainee = string(d.PlannedFirstOperator)
			case *events.TechniqueNoted:
				if d.Polarity == events.PolarityImprove {
					notes[trainee] = append(notes[trainee], note{e.Time, string(d.TeachingPoint)})
				}
			case *events.CaseReviewed:
				reviews++
				for _, p := range d.TeachingPoints {
					k := key{trainee, string(p)}
					if first, ok := advised[k]; !ok || e.Time.Before(first) {
						advised[k] = e.Time
					}
				}
			}
		}
	}
	sum := Demo().Summary()
	for _, s := range sum.Surgeons {
		for _, p := range s.TeachingPoints {
			before, after := 0, 0
			first, ok := advised[key{s.Code, p.Point}]
			for _, n := range notes[s.Code] {
				switch {
				case n.point != p.Point:
				case ok && n.at.After(first):
					after++
				default:
					before++
				}
			}
			if before != p.Before.Count || after != p.After.Count {
				t.Errorf("%s %s: noted %d times before and %d after advice, the summary says %d and %d",
					s.Code, p.Point, before, after, p.Before.Count, p.After.Count)
			}
		}
	}
	for _, d := range sum.Departments {
		reviews -= d.Reviewed.Count
	}
	if reviews != 0 {
		t.Errorf("%d more reviews among the events than in the summary", reviews)
	}
}

// TestDetailsOfTheRecord: what hangs together does, in every case of the demo.
func TestDetailsOfTheRecord(t *testing.T) {
	t.Parallel()
	kinds := map[events.Type]int{}
	var early, settled []float64
	patients := map[events.Code]int{}
	wide, partial, partialMeasured := 0, 0, 0
	for code, es := range standing() {
		e, _ := look(es)
		least, greatest, overlap := int64(0), int64(0), events.Overlap("")
		steps := map[events.Step]bool{}
		finished := false
		for _, x := range es {
			kinds[x.Type]++
			switch d := x.Data.(type) {
			case *events.CaseBooked:
				patients[d.Patient]++
			case *events.LensPlanned:
				if !e.started.IsZero() && !x.Time.Before(e.started) {
					t.Errorf("%s: planned after the start", code)
				}
			case *events.StepFinished:
				steps[d.Step] = true
			case *events.CaseFinished:
				finished = true
			case *events.MeasurementTaken:
				switch d.What {
				case events.MeasurementRhexisLeast:
					least = d.ValueUM
				case events.MeasurementRhexisGreatest:
					greatest = d.ValueUM
				}
			case *events.LensImplanted:
				overlap = d.RhexisOverlap
			case *events.FollowupRefraction:
				if e.matched && d.Refraction.Method != "retinoscopy" {
					off := float64(10*int64(d.Refraction.SphereD)+5*int64(d.Refraction.CylinderD.Value)-e.predicted) / 1000
					if localDay(e.started, x.Time) <= 7 {
						early = append(early, math.Abs(off))
					} else {
						settled = append(settled, math.Abs(off))
					}
				}
			}
		}
		if finished {
			for _, s := range events.CriticalSteps {
				if !steps[s] {
					t.Errorf("%s: no %s", code, s)
				}
			}
		}
		if least > greatest {
			t.Errorf("%s: rhexis %d to %d", code, least, greatest)
		}
		if overlap == "partial" {
			partial++
			if greatest > 0 {
				partialMeasured++
			}
		}
		if greatest > 5800 && overlap != "partial" {
			wide++
		}
	}
	for _, entry := range events.Catalogue {
		switch entry.Type {
		case events.TypeEventAmended, events.TypeEventRetracted, events.TypeCaseJoined, // resolved above
			events.TypeAlarmAcknowledged, events.TypeAlarmAssigned, // people's decisions
			events.TypeAlarmReviewed, events.TypeChartRestarted, events.TypeFiguresReleased: // people's decisions
		default:
			if kinds[entry.Type] == 0 {
				t.Errorf("no %s in the demo", entry.Type)
			}
		}
	}
	// Medians of absolute errors go with the SD: twice as wide in the first week.
	slices.Sort(early)
	slices.Sort(settled)
	if ratio := early[len(early)/2] / settled[len(settled)/2]; ratio < 1.75 || ratio > 2.25 {
		t.Errorf("errors in the first week are %.2f times as wide, want 2", ratio)
	}
	if wide > 0 || partialMeasured < partial/3 {
		t.Errorf("%d wide capsulorhexes with complete overlap; %d of %d partial ones measured", wide, partialMeasured, partial)
	}
	both := 0
	for _, n := range patients {
		if n == 2 {
			both++
		} else if n > 2 {
			t.Errorf("a patient with %d cases", n)
		}
	}
	if both < 2000 {
		t.Errorf("%d patients with both eyes", both)
	}
}
