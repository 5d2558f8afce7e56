package main

import (
	"math"
	"testing"

	"lensledger/events/simulate"
)

// The demo's rules of follow-up: "acuity before 93 %, after in window 88, 72,
// 55 % by department, refraction 78, 60, 40; after rupture 95 %".
type truthFollowup struct{ acuity, refraction float64 }

var truthFollowups = map[string]truthFollowup{"HARBOUR": {.88, .78}, "MOORLAND": {.72, .60}, "FENLAND": {.55, .40}}

// "One department looks bad only because follow-up is missing": in FENLAND who
// sees worse than 0.30 is seen as often as anyone in the best-kept department,
// and it is the well who are missing. The 88 % is a setting of events/simulate.
const (
	truthSelective = "FENLAND"
	truthBadSeen   = .88
	truthRuptured  = .95 // seen after a rupture
)

// onRecord gives the chance of an outcome among eyes on record, from that among
// all eyes. worse says that the outcome is of eyes that see worse than 0.30;
// others share the outcome evenly among those at 0.30 or better, a share thirty
// of all.
func (f truthFollowup) onRecord(department string, p, thirty float64, worse bool) float64 {
	switch {
	case department != truthSelective:
		return p
	case worse:
		return p * truthBadSeen / f.acuity
	}
	return p * (f.acuity - (1-thirty)*truthBadSeen) / thirty / f.acuity
}

// holdVision: "after, 0.00 / 0.30 or better: 50.8 / 94.6 % without, 32.5 / 79.9 %
// with co-pathology; loss 0.8 and 2.8 %, odds x 5.74 after rupture". One eye a
// patient. An eye with a rupture is on record more often, which moves no share by
// more than a hundredth of itself and is left aside.
func (c *truth) holdVision(t *testing.T, d simulate.DepartmentTruth, got truthAnswer) {
	t.Helper()
	all, seen := got.Vision.AllEyes, d.Eyes.Seen
	c.equal(t, d.Code+" eyes at 0.00", all.After.Zero.Count, seen.With.ZeroOrBetter.Count+seen.Without.ZeroOrBetter.Count)
	c.equal(t, d.Code+" eyes at 0.30", all.After.Thirty.Count, seen.With.ThirtyOrBetter.Count+seen.Without.ThirtyOrBetter.Count)
	c.equal(t, d.Code+" eyes with acuity after", all.After.N, seen.With.ThirtyOrBetter.N+seen.Without.ThirtyOrBetter.N)
	c.equal(t, d.Code+" losses", all.Loss.Events, seen.With.Loss.Count+seen.Without.Loss.Count)
	// HARBOUR has one assessment under whose identity two contents were sent, and
	// which nobody settled: its acuity before is neither.
	unsettled := map[string]int{"HARBOUR": 1}[d.Code]
	c.equal(t, d.Code+" eyes of which a loss can be said", all.Loss.N, seen.With.Loss.N+seen.Without.Loss.N-unsettled)

	f := truthFollowups[d.Code]
	ruptures := float64(got.Rupture.Events) / float64(got.Rupture.N)
	for name, rule := range map[string]struct{ zero, thirty, loss float64 }{
		"without": {.508, .946, .008}, "with": {.325, .799, .028},
	} {
		v, say := got.Vision.ByCopathology[name], d.Code+" "+name+" co-pathology, "
		c.share(t, say+"0.00 or better", v.After.Zero.Count, v.After.N, f.onRecord(d.Code, rule.zero, rule.thirty, false))
		c.share(t, say+"0.30 or better", v.After.Thirty.Count, v.After.N, f.onRecord(d.Code, rule.thirty, rule.thirty, false))
		odds := rule.loss / (1 - rule.loss) * 5.74
		loss := (1-ruptures)*rule.loss + ruptures*odds/(1+odds)
		c.share(t, say+"loss", v.Loss.Events, v.Loss.N, f.onRecord(d.Code, loss, rule.thirty, true))
	}
	// What is true of every eye lies between the bounds, in FENLAND too, where the
	// share of eyes on record doesn't lie near it.
	true30 := float64(d.Eyes.All.With.ThirtyOrBetter.Count+d.Eyes.All.Without.ThirtyOrBetter.Count) / float64(d.Benchmark.Operations)
	share := float64(all.After.Thirty.Count) / float64(all.After.N)
	if b := all.After.Thirty.Bounds; b == nil || true30 < b.Bad || true30 > b.Good {
		t.Errorf("%s: truly %.3f at 0.30 or better, bounds %+v", d.Code, true30, b)
	}
	if looksBad := true30-share > .05; looksBad != (d.Code == truthSelective) {
		t.Errorf("%s: %.3f at 0.30 or better on record, truly %.3f", d.Code, share, true30)
	}
	// "Under about 70 % complete draw no comparison": of acuity before and after,
	// 93 % of 88, 72 and 55 % are known.
	if want := .93*f.acuity > .70; got.Vision.Comparable != want {
		t.Errorf("%s: comparable %v", d.Code, got.Vision.Comparable)
	}
}

// truthError is one part of the demo's prediction errors: "82 % N(-0.05, 0.42),
// 15 % N(0, 0.85), 3 % N(-0.2, 1.8)".
type truthError struct{ share, mean, sd float64 }

var truthErrorsInBag = []truthError{{.82, -.05, .42}, {.15, 0, .85}, {.03, -.2, 1.8}}

// truthWithin is the share of errors of at most limit dioptres. A sphere is
// written in quarters of a dioptre, which adds an error even over an eighth on
// either side (common practice, no source).
func truthWithin(limit float64) float64 {
	const slices = 400
	p := 0.0
	for i := range slices {
		rounding := .25 * ((float64(i)+.5)/slices - .5)
		for _, e := range truthErrorsInBag {
			below := func(x float64) float64 { return math.Erfc(-(x-rounding-e.mean)/(e.sd*math.Sqrt2)) / 2 }
			p += e.share * (below(limit) - below(-limit)) / slices
		}
	}
	return p
}

// truthMoments are mean and standard deviation of an error as written.
func truthMoments() (mean, sd float64) {
	square := .25 * .25 / 12
	for _, e := range truthErrorsInBag {
		mean += e.share * e.mean
		square += e.share * (e.sd*e.sd + e.mean*e.mean)
	}
	return mean, math.Sqrt(square - mean*mean)
}

// holdRefraction: eyes without a complication, in the bag, 6/12 or better. What an
// eye sees and whether it is on record doesn't move its error, so the rule holds
// as it stands.
func (c *truth) holdRefraction(t *testing.T, d simulate.DepartmentTruth, got truthAnswer) {
	t.Helper()
	for _, pair := range []struct {
		name string
		got  truthErrors
		want simulate.ErrorTruth
	}{{"all eyes", got.Refraction.AllEyes, d.Eyes.Errors}, {"both eyes", got.Refraction.BothEyes, d.Eyes.MainErrors}} {
		say := d.Code + " " + pair.name + ", "
		c.equal(t, say+"eyes", pair.got.N, pair.want.Eyes)
		c.equal(t, say+"within 0.25 D", pair.got.Within025.Count, pair.want.Within025.Count)
		c.equal(t, say+"within 0.50 D", pair.got.Within050.Count, pair.want.Within050.Count)
		c.equal(t, say+"within 1.00 D", pair.got.Within100.Count, pair.want.Within100.Count)
		c.equal(t, say+"within 2.00 D", pair.got.Within200.Count, pair.want.Within200.Count)
		c.equal(t, say+"sum of errors, thousandths", int(math.Round(1000*pair.got.Mean*float64(pair.got.N))), int(math.Round(1000*pair.want.SumD)))
	}
	no := got.Refraction.AllEyesExcluded
	c.equal(t, d.Code+" without a prediction", no["no-lens-plan"]+no["no-prediction-for-the-lens"], d.Eyes.NoPrediction)

	mean, sd := truthMoments()
	for name, e := range map[string]truthErrors{"one eye": got.Refraction.truthErrors, "both eyes": got.Refraction.BothEyes} {
		say := d.Code + " " + name + ", "
		c.share(t, say+"within 0.25 D", e.Within025.Count, e.N, truthWithin(.25))
		c.share(t, say+"within 0.50 D", e.Within050.Count, e.N, truthWithin(.50))
		c.share(t, say+"within 1.00 D", e.Within100.Count, e.N, truthWithin(1))
		c.share(t, say+"within 2.00 D", e.Within200.Count, e.N, truthWithin(2))
		c.amount(t, say+"mean error", e.Mean, mean, sd/math.Sqrt(float64(e.N)))
	}
}

// holdFindings: "cystoid oedema 1.3 %, raised pressure 2.5, corneal oedema at 4
// weeks 1, detachment 0.25 (x 42 after rupture), endophthalmitis 2-3 in all,
// return to theatre 0.6, unplanned attendance 3"; "dropped nucleus in 6 % of
// ruptures", each of which goes back to theatre.
func (c *truth) holdFindings(t *testing.T, d simulate.DepartmentTruth, got truthAnswer) {
	t.Helper()
	say := func(what string) string { return d.Code + " " + what }
	found, n, ruptures := got.Complications.Findings, got.Operations, float64(got.Rupture.Events)
	c.share(t, say("cystoid oedema"), found["cystoid-macular-oedema"].Events, n, .013)
	c.share(t, say("raised pressure"), found["raised-pressure"].Events, n, .025)
	c.share(t, say("unplanned attendance"), got.Complications.Attended.Events, n, .03)
	// It is found on a day from 26 to 34, all alike (a setting of events/simulate).
	// Seven of the nine are four weeks or more; on the others it is healing.
	c.share(t, say("corneal oedema"), found["corneal-oedema"].Events, n, .01*7/9)
	c.number(t, say("detachments"), found["detachment"].Events, .0025*(float64(n)-ruptures)+.0025*42*ruptures, 0)
	c.number(t, say("returns to theatre"), got.Complications.Returned.Events, .006*float64(n)+.06*ruptures, 0)
	c.number(t, say("dropped nuclei"), got.Complications.ByKind["dropped-nucleus"].Events, .06*ruptures, 0)
}

// holdCompleteness: the rules of follow-up above. "Now and then" no prediction is
// for the lens implanted: 3 % of plans, and 1.5 % of eyes have no plan (settings
// of events/simulate).
func (c *truth) holdCompleteness(t *testing.T, d simulate.DepartmentTruth, got truthAnswer) {
	t.Helper()
	f, n := truthFollowups[d.Code], got.Operations
	ruptures := float64(got.Rupture.Events) / float64(n)
	after := (1-ruptures)*f.acuity + ruptures*truthRuptured
	refracted := after * f.refraction / f.acuity
	// A return to theatre comes before nearly all visits.
	refracted *= 1 - float64(got.Complications.Returned.Events)/float64(n)
	c.share(t, d.Code+" acuity before", got.Completeness.Before.Events, n, .93)
	c.share(t, d.Code+" acuity after", got.Completeness.After.Events, n, after)
	c.share(t, d.Code+" refraction", got.Completeness.Refraction.Events, n, refracted)
	c.share(t, d.Code+" prediction error", got.Completeness.Error.Events, n, refracted*.97*.985)
	// One operation in a thousand is abandoned (a setting of events/simulate).
	c.share(t, d.Code+" operating time", got.Completeness.Timed.Events, n, .999)

	var detail struct {
		Recorded int
		Followup struct {
			After struct{ Known, Waiting, Missing int } `json:"acuity_after"`
		} `json:"follow_up"`
	}
	c.w.get(t, truthOfficer(d.Code), "/v1/departments/"+d.Code+"/completeness?from=2024-01&to=2025-12", &detail)
	c.equal(t, d.Code+" operations on record", detail.Recorded, d.All.Operations)
	c.equal(t, d.Code+" acuity after, in the list", detail.Followup.After.Known, d.Eyes.Acuity.Count)
	c.equal(t, d.Code+" acuity after, missing", detail.Followup.After.Missing+detail.Followup.After.Waiting, n-d.Eyes.Acuity.Count)
}

// holdAstigmatism: "temporal 2.4 mm: centroid 0.15-0.25, mean magnitude 0.45
// (trainees 0.55), day 1 double". The mean magnitude is that of the two shares.
func (c *truth) holdAstigmatism(t *testing.T, d simulate.DepartmentTruth) {
	t.Helper()
	type group struct {
		N        int
		Centroid struct {
			Centroid struct{ Dioptres float64 }
			Mean     float64 `json:"mean_dioptres"`
			SD       float64 `json:"sd_dioptres"`
		}
	}
	var got struct{ Settled, Early group }
	c.w.get(t, truthOfficer(d.Code), "/v1/departments/"+d.Code+"/astigmatism?from=2024-01&to=2025-12", &got)
	trainees := float64(d.Eyes.ByTrainee.Eyes) / float64(d.Eyes.ByTrainee.Eyes+d.Eyes.ByConsultant.Eyes)
	mean := .55*trainees + .45*(1-trainees)
	for name, one := range map[string]struct {
		group
		times float64
	}{"settled": {got.Settled, 1}, "early": {got.Early, 2}} {
		se := one.Centroid.SD / math.Sqrt(float64(one.N))
		c.amount(t, d.Code+" mean induced astigmatism, "+name, one.Centroid.Mean, one.times*mean, se)
		slack := truthZ * se
		c.intervals++
		if size := one.Centroid.Centroid.Dioptres; one.N < 25 || size < one.times*.15-slack || size > one.times*.25+slack {
			t.Errorf("%s: centroid %.3f D of %d eyes, %s", d.Code, size, one.N, name)
		}
	}
}

// holdInfections: "endophthalmitis 2-3 in all", and a notice on two within 30 days:
// HARBOUR has such a pair, MOORLAND one alone (settings of events/simulate).
func (c *truth) holdInfections(t *testing.T, d simulate.DepartmentTruth) {
	t.Helper()
	var got struct {
		Infections []struct{ Days int }
		Notices    []struct{ Cases []string }
	}
	c.w.get(t, truthOfficer(d.Code), "/v1/departments/"+d.Code+"/endophthalmitis?from=2024-01&to=2025-12", &got)
	want := map[string]int{"HARBOUR": 2, "MOORLAND": 1}[d.Code]
	c.equal(t, d.Code+" endophthalmitis", len(got.Infections), want)
	c.equal(t, d.Code+" notices", len(got.Notices), want/2)
}
