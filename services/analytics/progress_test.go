package analytics

import (
	"math"
	"slices"
	"strings"
	"testing"

	"lensledger/projections/learning"
)

func (r *registry) testProgress(t *testing.T) {
	var p progress
	got := r.call(t, "trainee", "GET", "/v1/surgeons/S-014/progress", "")
	got.into(t, &p)
	// 22 prior cases and three here.
	if p.Surgeon != "S-014" || !p.Enrolled || !p.Trainee || p.CaseNumber != 25 || p.WholeCases != 3 || p.PriorWhole != 22 || p.NextMinimum == nil || p.NextMinimum.Cases != 86 {
		t.Errorf("%s", got.body)
	}
	if len(p.Steps) != 1 || p.Steps[0].Step != "capsulorhexis" || p.Steps[0].Cases != 3 || p.Steps[0].Failed != 0 || p.Steps[0].Times.N != 3 {
		t.Errorf("%+v", p.Steps)
	}
	// Five others took 100, 120, 140, 160 and 180 s at case 23: quartiles by rule 7
	// are the second, third and fourth. Four did sculpting, which are too few.
	band := func(step string) learning.Peer {
		i := slices.IndexFunc(p.Peers.Bands, func(b learning.Peer) bool { return b.Step == step && b.First == 11 })
		if i < 0 {
			t.Fatalf("no band of %s: %+v", step, p.Peers)
		}
		return p.Peers.Bands[i]
	}
	if b := band("capsulorhexis"); b.Hidden || b.Last != 25 || *b.Others != 5 || *b.Runs != 5 || *b.Lower != 120 || *b.Median != 140 || *b.Upper != 160 {
		t.Errorf("%+v", b)
	}
	if b := band("sculpting"); !b.Hidden || b.Others != nil || b.Median != nil {
		t.Errorf("%+v", b)
	}
	for _, other := range []string{"S-021", "S-022", "HB-021"} {
		if strings.Contains(got.body, other) {
			t.Errorf("the answer names %s", other)
		}
	}
	// Advised by the review of HB-001; HB-500 has it again, nobody looked at HB-002.
	if f := p.Feedback; f.Operations != 3 || f.Looked != 2 || len(f.Points) != 1 || f.Points[0].TeachingPoint != "rhexis-size" || f.Points[0].State != "recurs" ||
		f.Points[0].After.With != 1 || f.Points[0].After.NotLooked != 1 || !strings.HasSuffix(f.Points[0].Words, ": recurs.") {
		t.Errorf("%+v", f)
	}
	if m := p.Missing; m.Operations != 3 || m.AcuityBefore != 2 || m.AcuityAfter != 2 || m.Refraction != 2 || len(m.Cases) != 2 {
		t.Errorf("%+v", m)
	}
	if !slices.Contains(p.Words, "3 whole cases on record and 22 prior ones before it make case number 25, in whole cases.") ||
		!slices.ContainsFunc(p.Words, func(s string) bool { return strings.HasPrefix(s, "61 more to the published count of 86 (") }) ||
		!slices.Contains(p.Words, "Follow-up is missing for 2 of 3 operations: acuity before 2, acuity after 2, refraction 2.") {
		t.Errorf("%q", p.Words)
	}
	for _, who := range []string{"trainer", "quality", "named"} {
		if theirs := r.call(t, who, "GET", "/v1/surgeons/S-014/progress", ""); theirs.status != 200 || theirs.body != got.body {
			t.Errorf("%s: %d %s", who, theirs.status, theirs.body)
		}
	}
	if again := r.call(t, "trainee", "GET", "/v1/surgeons/S-014/progress", "", "If-None-Match", got.header.Get("ETag")); again.status != 304 || again.body != "" {
		t.Errorf("asked again: %d", again.status)
	}
	r.call(t, "beginner", "GET", "/v1/surgeons/S-099/progress", "").into(t, &p)
	if p.CaseNumber != 0 || p.Enrolled || len(p.Steps) != 0 {
		t.Errorf("%+v", p)
	}
	// The consultant answers for the cases, but doesn't see all of the trainee.
	for who, path := range map[string]string{"consultant": "/v1/surgeons/S-014/progress", "inland": "/v1/surgeons/S-014/progress", "beginner": "/v1/surgeons/S-014/progress"} {
		r.call(t, who, "GET", path, "").problem(t, 404, "not-found")
	}
	r.call(t, "auditor", "GET", "/v1/surgeons/S-014/progress", "").problem(t, 403, "forbidden")
	r.call(t, "trainee", "GET", "/v1/surgeons/S-014/progress?from=2025-01", "").problem(t, 400, "invalid")
}

func (r *registry) testWholePath(t *testing.T) {
	var c caseRecord
	got := r.call(t, "trainee", "GET", "/v1/cases/HB-500", "")
	got.into(t, &c)
	if len(c.Assessments) != 1 || *c.Assessments[0].AgeYears != 75 || c.Assessments[0].Acuity[0].LogMARHundredths == nil || c.Assessments[0].WhiteCataract == nil ||
		*c.Assessments[0].WhiteCataract || c.Assessments[0].Glaucoma != nil || c.Assessments[0].OcularCopathology == nil || c.Assessments[0].Keratometry.K2D != 44 {
		t.Errorf("%+v", c.Assessments)
	}
	if p := c.LensPlan; p == nil || p.Formula != "F-1" || p.Biometer != "B-1" || *p.Constant != 118.9 || len(p.Candidates) != 2 || p.AfterStart {
		t.Errorf("%+v", p)
	}
	if len(c.Incisions) != 1 || *c.Incisions[0].MeridianDeg != 90 || len(c.Adjuncts) != 1 || c.Adjuncts[0].Kind != "capsule-dye" || !*c.Adjuncts[0].Planned ||
		len(c.Measurements) != 2 || len(c.Machines) != 1 || *c.Machines[0].EnergyIndex != 7.25 || len(c.Drugs) != 1 || *c.Drugs[0].DoseUG != 1000 ||
		len(c.Techniques) != 1 || c.Techniques[0].TeachingPoint != "rhexis-size" || len(c.Reviews) != 0 {
		t.Errorf("%s", got.body)
	}
	f := c.Followup
	if len(f.Acuities) != 1 || *f.Acuities[0].Day != 30 || len(f.Refractions) != 2 || !f.Refractions[0].Healing || f.Refractions[1].Healing ||
		len(f.Keratometries) != 1 || len(f.Findings) != 1 || !f.Findings[0].Healing || f.Closed == nil || f.Closed.Reason != "discharged" {
		t.Errorf("%+v", f)
	}
	// -0.50 and half of -0.50 is -0.75, predicted -0.50. Before, 1.00 D at 90, after
	// 0.50 D at 90: half a dioptre at 180 was induced.
	o := c.Outcome
	if o == nil || o.Before == nil || *o.Before.LogMARHundredths != 60 || o.After == nil || *o.After.LogMARHundredths != -4 || *o.Unaided.LogMARHundredths != 12 ||
		o.VisualLoss == nil || *o.VisualLoss || o.Refraction.ErrorD == nil || *o.Refraction.ErrorD != -0.25 || *o.Refraction.AchievedD != -0.75 || !o.Refraction.InMainFigure ||
		!slices.Equal(o.Findings, []string{"early-corneal-oedema"}) || o.Endophthalmitis != nil {
		t.Fatalf("%s", got.body)
	}
	if v := o.Induced.Settled; v == nil || math.Abs(v.X-0.5) > 1e-6 || math.Abs(v.Y) > 1e-6 || math.Abs(v.Amount-0.5) > 1e-6 || math.Min(*v.Axis, 180-*v.Axis) > 1e-4 || o.Induced.Early != nil {
		t.Errorf("%+v", v)
	}
	r.call(t, "trainee", "GET", "/v1/cases/HB-001", "").into(t, &c)
	if len(c.Reviews) != 1 || c.Reviews[0].SupervisionNext != "scrubbed" || c.Outcome.Refraction.ErrorReason != "no-refraction-in-window" || c.LensPlan != nil {
		t.Errorf("%+v", c)
	}
	r.call(t, "quality", "GET", "/v1/cases/HB-600", "").into(t, &c)
	if c.Outcome != nil || c.Counts {
		t.Errorf("%+v", c.Outcome)
	}
}
