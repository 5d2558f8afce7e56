package measure

import (
	"math"
	"reflect"
	"testing"
)

func years(n int) *int { return &n }

// known is a patient of whom everything is known and at its reference.
func known() Factors {
	return Factors{AgeYears: years(55), Sex: "female", Glaucoma: No, DiabeticRetinopathy: No, WhiteCataract: No,
		BrunescentCataract: No, NoFundalView: No, VitreousOpacities: No, Pseudoexfoliation: No, Phacodonesis: No,
		Pupil: "large", AxialLengthUM: years(23500), AlphaBlocker: "none", CanLieFlat: Yes, Grade: "consultant"}
}

func with(change func(f *Factors)) Factors {
	f := known()
	change(&f)
	return f
}

func worst() Factors {
	return Factors{AgeYears: years(95), Sex: "male", Glaucoma: Yes, DiabeticRetinopathy: Yes, WhiteCataract: Yes,
		BrunescentCataract: Yes, NoFundalView: Yes, VitreousOpacities: Yes, Pseudoexfoliation: Yes, Phacodonesis: Yes,
		Pupil: "small", AxialLengthUM: years(27000), AlphaBlocker: "doxazosin", CanLieFlat: No, Grade: "senior-house-officer"}
}

// Odds ratios: Narendran N, Jaycock P, Johnston RL, et al. Eye 2009;23:31-37.
func TestPublishedOddsRatios(t *testing.T) {
	model := CapsuleRupture2009()
	for _, c := range []struct {
		what   string
		change func(f *Factors)
		want   float64
	}{
		{"nothing", func(f *Factors) {}, 1},
		{"age 0", func(f *Factors) { f.AgeYears = years(0) }, 1},
		{"age 59", func(f *Factors) { f.AgeYears = years(59) }, 1},
		{"age 60", func(f *Factors) { f.AgeYears = years(60) }, 1.14},
		{"age 69", func(f *Factors) { f.AgeYears = years(69) }, 1.14},
		{"age 70", func(f *Factors) { f.AgeYears = years(70) }, 1.42},
		{"age 79", func(f *Factors) { f.AgeYears = years(79) }, 1.42},
		{"age 80", func(f *Factors) { f.AgeYears = years(80) }, 1.58},
		{"age 89", func(f *Factors) { f.AgeYears = years(89) }, 1.58},
		{"age 90", func(f *Factors) { f.AgeYears = years(90) }, 2.37},
		{"male", func(f *Factors) { f.Sex = "male" }, 1.28},
		{"glaucoma", func(f *Factors) { f.Glaucoma = Yes }, 1.30},
		{"diabetic retinopathy", func(f *Factors) { f.DiabeticRetinopathy = Yes }, 1.63},
		{"white", func(f *Factors) { f.WhiteCataract = Yes }, 2.99},
		{"brunescent", func(f *Factors) { f.BrunescentCataract = Yes }, 2.99},
		{"white and brunescent", func(f *Factors) { f.WhiteCataract, f.BrunescentCataract = Yes, Yes }, 2.99},
		{"no fundal view", func(f *Factors) { f.NoFundalView = Yes }, 2.46},
		{"vitreous opacities", func(f *Factors) { f.VitreousOpacities = Yes }, 2.46},
		{"both of these", func(f *Factors) { f.NoFundalView, f.VitreousOpacities = Yes, Yes }, 2.46},
		{"pseudoexfoliation", func(f *Factors) { f.Pseudoexfoliation = Yes }, 2.92},
		{"phacodonesis", func(f *Factors) { f.Phacodonesis = Yes }, 2.92},
		{"both of these", func(f *Factors) { f.Pseudoexfoliation, f.Phacodonesis = Yes, Yes }, 2.92},
		{"medium pupil", func(f *Factors) { f.Pupil = "medium" }, 1.14},
		{"small pupil", func(f *Factors) { f.Pupil = "small" }, 1.45},
		{"25.99 mm", func(f *Factors) { f.AxialLengthUM = years(25990) }, 1},
		{"25.999 mm", func(f *Factors) { f.AxialLengthUM = years(25999) }, 1},
		{"26.00 mm", func(f *Factors) { f.AxialLengthUM = years(26000) }, 1.47},
		{"doxazosin", func(f *Factors) { f.AlphaBlocker = "doxazosin" }, 1.51},
		{"tamsulosin", func(f *Factors) { f.AlphaBlocker = "tamsulosin" }, 1},
		{"other alpha blocker", func(f *Factors) { f.AlphaBlocker = "other" }, 1},
		{"cannot lie flat", func(f *Factors) { f.CanLieFlat = No }, 1.27},
		{"associate specialist", func(f *Factors) { f.Grade = "associate-specialist" }, 0.87},
		{"staff grade", func(f *Factors) { f.Grade = "staff-grade" }, 0.36},
		{"fellow", func(f *Factors) { f.Grade = "fellow" }, 1.65},
		{"specialist registrar", func(f *Factors) { f.Grade = "specialist-registrar" }, 1.60},
		{"senior house officer", func(f *Factors) { f.Grade = "senior-house-officer" }, 3.73},
	} {
		got := must[Risk](t)(model.RiskWithGrade(with(c.change)))
		near(t, c.what, got.CompositeOddsRatio, c.want, 1e-12)
		if len(got.Unknown) != 0 {
			t.Errorf("%s: unknown %v, want none", c.what, got.Unknown)
		}
	}
}

// Composite odds ratios and probabilities computed in R from the odds ratios of
// Narendran 2009, with the reference patient at 0.736 % and at 0.75 %.
func TestComputedRisks(t *testing.T) {
	for _, c := range []struct {
		what      string
		factors   Factors
		oddsRatio float64
		at736     float64
		at750     float64
	}{
		{"reference", known(), 1, .007360, .007500},
		{"75 years", with(func(f *Factors) { f.AgeYears = years(75) }), 1.42, .010419, .010617},
		{"75 years, man", with(func(f *Factors) { f.AgeYears, f.Sex = years(75), "male" }), 1.8176, .013298, .013549},
		{"75 years, pseudoexfoliation", with(func(f *Factors) { f.AgeYears, f.Pseudoexfoliation = years(75), Yes }), 4.1464, .029827, .030381},
		{"75 years, man, brunescent, small pupil", with(func(f *Factors) {
			f.AgeYears, f.Sex, f.BrunescentCataract, f.Pupil = years(75), "male", Yes, "small"
		}), 7.8802, .055203, .056201},
		{"everything worst", worst(), 2105.006, .9398, .9409},
		{"staff grade", with(func(f *Factors) { f.Grade = "staff-grade" }), 0.36, .002662, .002713},
	} {
		model := CapsuleRupture2009()
		got := must[Risk](t)(model.RiskWithGrade(c.factors))
		near(t, c.what+" odds ratio", got.CompositeOddsRatio, c.oddsRatio, 0.00005+0.0005*math.Floor(c.oddsRatio/2000))
		tolerance := 0.5e-6 + 0.5e-4*math.Floor(c.at736*2)
		near(t, c.what, got.Probability, c.at736, tolerance)
		near(t, c.what+" from its odds ratio", must[float64](t)(model.Probability(got.CompositeOddsRatio)), got.Probability, 1e-15)
		model.ReferencePRef = 0.0075
		near(t, c.what+" at 0.75 %", must[Risk](t)(model.RiskWithGrade(c.factors)).Probability, c.at750, tolerance)
	}
}

// Case descriptions of a survey on case complexity and list order, BMJ Open
// Ophthalmology; the odds ratios are computed from Narendran 2009.
func TestSurveyCases(t *testing.T) {
	a := Factors{AgeYears: years(78), Sex: "female", Glaucoma: Yes, AxialLengthUM: years(23680), Pupil: "large"}
	b := Factors{AgeYears: years(58), Sex: "female", AxialLengthUM: years(24250), Pupil: "large"}
	d := Factors{AgeYears: years(91), Sex: "male", BrunescentCataract: Yes, NoFundalView: Yes, CanLieFlat: No,
		AlphaBlocker: "doxazosin", AxialLengthUM: years(23720), Pupil: "large"}
	var risks []float64
	for _, c := range []struct {
		factors Factors
		want    float64
	}{{b, 1.0000}, {a, 1.8460}, {d, 42.7903}} {
		got := must[Risk](t)(CapsuleRupture2009().Risk(c.factors))
		near(t, "odds ratio", got.CompositeOddsRatio, c.want, 0.00005)
		risks = append(risks, got.Probability)
	}
	if !(risks[0] < risks[1] && risks[1] < risks[2]) {
		t.Errorf("risks of B, A, D are %v, want them rising", risks)
	}
}

func TestGradeStaysAtReferenceForIndividuals(t *testing.T) {
	f := with(func(f *Factors) { f.Grade = "senior-house-officer" })
	if got := must[Risk](t)(DefaultModel().Risk(f)); got.CompositeOddsRatio != 1 || len(got.Unknown) != 0 {
		t.Errorf("got %+v, want an odds ratio of 1 and nothing unknown", got)
	}
}

func TestUnknownFactors(t *testing.T) {
	model := CapsuleRupture2009()
	got := must[Risk](t)(model.RiskWithGrade(Factors{}))
	if got.CompositeOddsRatio != 1 || !reflect.DeepEqual(got.Unknown, Fields()) {
		t.Errorf("nothing known: got %+v, want an odds ratio of 1 and %v", got, Fields())
	}
	got = must[Risk](t)(model.Risk(Factors{}))
	if want := Fields()[:len(Fields())-1]; !reflect.DeepEqual(got.Unknown, want) {
		t.Errorf("nothing known, without grade: unknown %v, want %v", got.Unknown, want)
	}
	for _, c := range []struct {
		what   string
		change func(f *Factors)
		want   []string
	}{
		{"pupil", func(f *Factors) { f.Pupil = "" }, []string{"pupil"}},
		{"white unknown, brunescent yes", func(f *Factors) { f.WhiteCataract, f.BrunescentCataract = Unknown, Yes }, []string{}},
		{"white unknown, brunescent no", func(f *Factors) { f.WhiteCataract = Unknown }, []string{"white_cataract"}},
		{"one of each pair, and age", func(f *Factors) { f.AgeYears, f.VitreousOpacities, f.Pseudoexfoliation = nil, Unknown, Unknown },
			[]string{"age_years", "vitreous_opacities", "pseudoexfoliation"}},
	} {
		if got := must[Risk](t)(model.Risk(with(c.change))); !reflect.DeepEqual(got.Unknown, c.want) {
			t.Errorf("%s: unknown %v, want %v", c.what, got.Unknown, c.want)
		}
	}
}

// Sim PY, Donachie PHJ, Day AC, Buchan JC. Eye 2024: 9,730 of 961,208 operations;
// younger males OR 3.05, a term that separate age and sex terms cannot hold. The
// other terms of that model were not seen, so it is used here only as a shape.
func TestInteractionIsData(t *testing.T) {
	model := Model{Name: "shape", Population: "x", ReferencePRef: .01, ReferenceRate: .01, Terms: []Term{{Name: "younger male",
		Levels: []Level{{OddsRatio: 3.05, When: []Condition{{Field: "sex", Is: "male"}, {Field: "age_years", Below: 60}}}}}}}
	for _, c := range []struct {
		factors Factors
		want    float64
		unknown []string
	}{
		{Factors{Sex: "male", AgeYears: years(59)}, 3.05, []string{}},
		{Factors{Sex: "male", AgeYears: years(60)}, 1, []string{}},
		{Factors{Sex: "female", AgeYears: years(59)}, 1, []string{}},
		{Factors{Sex: "female"}, 1, []string{}}, // the age could not change it
		{Factors{Sex: "male"}, 1, []string{"age_years"}},
		{Factors{AgeYears: years(70)}, 1, []string{}},
		{Factors{}, 1, []string{"age_years", "sex"}},
	} {
		got := must[Risk](t)(model.Risk(c.factors))
		if got.CompositeOddsRatio != c.want || !reflect.DeepEqual(got.Unknown, c.unknown) {
			t.Errorf("%+v: got %+v, want %g and unknown %v", c.factors, got, c.want, c.unknown)
		}
	}
}

func TestRecalibration(t *testing.T) {
	near(t, "reference rate", Reference2016To2022().Rate, 0.010123, 0.5e-6) // 9,730 of 961,208, computed in R
	logit := func(p float64) float64 { return math.Log(p / (1 - p)) }
	old, now := CapsuleRupture2009(), DefaultModel()
	if now.Version != "2009-recalibrated-2016-2022" || now.Population != Reference2016To2022().Population || now.Name != old.Name {
		t.Errorf("default model is %s %s of %q", now.Name, now.Version, now.Population)
	}
	shift := logit(Reference2016To2022().Rate) - logit(ReferenceRate2009)
	for _, f := range []Factors{known(), worst(), {AgeYears: years(75), Sex: "male"}} {
		before, after := must[Risk](t)(old.Risk(f)), must[Risk](t)(now.Risk(f))
		near(t, "shift on the logit scale", logit(after.Probability)-logit(before.Probability), shift, 1e-12)
		if before.CompositeOddsRatio != after.CompositeOddsRatio {
			t.Errorf("recalibration changed an odds ratio: %g and %g", before.CompositeOddsRatio, after.CompositeOddsRatio)
		}
	}
	// A patient of average risk has, after centring, the acceptable rate.
	centred := must[Model](t)(now.At(0.03))
	average := odds(now.ReferenceRate) / odds(now.ReferencePRef)
	near(t, "risk of an average patient", must[float64](t)(centred.Probability(average)), 0.03, 1e-15)
	back := must[Model](t)(now.Recalibrated(ReferenceRate2009, old.Population, old.Version))
	near(t, "recalibrated back", back.ReferencePRef, old.ReferencePRef, 1e-16)
}

func TestRiskRefuses(t *testing.T) {
	model := DefaultModel()
	for _, c := range []struct {
		change func(f *Factors)
		name   string
	}{
		{func(f *Factors) { f.AgeYears = years(-1) }, "age_years"},
		{func(f *Factors) { f.AgeYears = years(116) }, "age_years"},
		{func(f *Factors) { f.AxialLengthUM = years(23) }, "axial_length_um"},
		{func(f *Factors) { f.AxialLengthUM = years(40001) }, "axial_length_um"},
		{func(f *Factors) { f.Sex = "man" }, "sex"},
		{func(f *Factors) { f.Pupil = "Small" }, "pupil"},
		{func(f *Factors) { f.AlphaBlocker = "yes" }, "alpha_blocker"},
		{func(f *Factors) { f.Grade = "boss" }, "grade"},
		{func(f *Factors) { f.Glaucoma = 3 }, "answer"},
	} {
		_, err := model.Risk(with(c.change))
		refused(t, c.name, err, c.name)
	}
	for _, rate := range []float64{0, 1, -.1, math.NaN(), math.Inf(1)} {
		_, err := model.At(rate)
		refused(t, "rate", err, "rate")
	}
	_, err := model.Recalibrated(.01, "", "x")
	refused(t, "population", err, "population")
	_, err = Model{}.Risk(known())
	refused(t, "empty model", err, "reference patient's risk")
	broken := CapsuleRupture2009()
	broken.Terms = []Term{{Name: "t", Levels: []Level{{OddsRatio: 0}}}}
	_, err = broken.Risk(known())
	refused(t, "odds ratio 0", err, "odds ratio of t")
	broken.Terms = []Term{{Name: "t", Levels: []Level{{OddsRatio: 2, When: []Condition{{Field: "eye"}}}}}}
	_, err = broken.Risk(known())
	refused(t, "unknown field", err, "field of t")
}

func TestLookupModel(t *testing.T) {
	if m, ok := LookupModel("capsule-rupture-2009", ""); !ok || m.Version != DefaultModel().Version {
		t.Errorf("model in force: got %q %v", m.Version, ok)
	}
	if m, ok := LookupModel("capsule-rupture-2009", "2009"); !ok || m.ReferencePRef != ReferencePatientRisk2009 {
		t.Errorf("2009 version: got %+v %v", m.ReferencePRef, ok)
	}
	if _, ok := LookupModel("capsule-rupture-2009", "2010"); ok {
		t.Error("a version that does not exist was found")
	}
}
