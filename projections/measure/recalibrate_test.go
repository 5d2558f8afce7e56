package measure

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"testing"
)

// referenceModel is the fixed model that gave p_external in logistic_data.csv:
// logit p = -3.6 + 0.4 x1 + 1.0 x2 + 0.8 x3 + 1.2 x5 + 0.5 x6, each x under the
// name of a factor.
func referenceModel() Model {
	logs := []struct {
		field string
		log   float64
	}{{"glaucoma", .4}, {"diabetic_retinopathy", 1}, {"white_cataract", .8}, {"pseudoexfoliation", 1.2}, {"phacodonesis", .5}}
	m := Model{Name: "made-up", Version: "1", Population: "made up", Source: "testdata/reference",
		ReferencePRef: 1 / (1 + math.Exp(3.6)), ReferenceRate: .045}
	for _, l := range logs {
		m.Terms = append(m.Terms, Term{Name: l.field, Levels: []Level{word(l.field, "yes", math.Exp(l.log))}})
	}
	m.Terms = append(m.Terms, Term{Name: "grade", Grade: true, Levels: []Level{word("grade", "fellow", 2)}})
	return m
}

func referencePatients(d logisticData) []Factors {
	patients := make([]Factors, len(d.terms))
	answer := func(x float64) Answer { return map[bool]Answer{true: Yes, false: No}[x == 1] }
	for i, x := range d.terms {
		patients[i] = Factors{Glaucoma: answer(x[0]), DiabeticRetinopathy: answer(x[1]), WhiteCataract: answer(x[2]),
			Pseudoexfoliation: answer(x[4]), Phacodonesis: answer(x[5]), Grade: "fellow"}
	}
	return patients
}

// Intercept, slope, c-statistic and Brier score of the fixed model by R (glm,
// pROC), section "external" of logistic_fit.csv.
func TestRecalibrationEqualsReference(t *testing.T) {
	d, model := readLogistic(t), referenceModel()
	patients := referencePatients(d)
	predictors := make([]float64, len(patients))
	for i, f := range patients {
		predictors[i] = must[float64](t)(model.LogOddsRatio(f))
		near(t, "risk", must[Risk](t)(model.Risk(f)).Probability, d.external[i], 1e-12)
	}
	request := RecalibrationRequest{Name: "made-up-harbour", Version: "2", Population: "2000 operations of HARBOUR", MinimumEvents: 78}
	got := must[Recalibration](t)(Recalibrate(model, predictors, d.events, request))
	tested := 0
	for _, r := range readRows(t, "logistic_fit") {
		if r.text("section") != "external" {
			continue
		}
		tested++
		switch r.text("name") {
		case "calibration_slope":
			r.absolute("value", got.Slope.Value, 1e-7)
			r.absolute("se", got.Slope.SE, 1e-7)
		case "calibration_intercept_joint":
			r.absolute("value", got.Intercept.Value, 1e-7)
			r.absolute("se", got.Intercept.SE, 1e-7)
		case "auc":
			r.absolute("value", got.Before.CStatistic.Value, 1e-12)
			r.absolute("value", got.After.CStatistic.Value, 1e-12) // the order of risks stays
		case "brier":
			r.absolute("value", got.Before.Brier, 1e-10)
		default:
			tested--
		}
	}
	if tested != 4 {
		t.Errorf("tested %d rows, want 4", tested)
	}
	near(t, "slope after", got.After.Slope.Value, 1, 1e-9)
	near(t, "intercept after", got.After.Intercept.Value, 0, 1e-9)
	near(t, "expected after", got.After.Expected, 78, 1e-8)
	if got.After.Brier >= got.Before.Brier || len(got.Deciles) != 10 || got.HosmerLemeshow.Groups != 10 {
		t.Errorf("after: %+v", got)
	}

	// The new model gives each patient the fitted risk, and has no grade.
	m := got.Model
	if m.Name != request.Name || m.Version != "2" || m.Population != request.Population || got.From != "made-up 1" {
		t.Errorf("the model calls itself %s %s of %q from %s", m.Name, m.Version, m.Population, got.From)
	}
	near(t, "rate", m.ReferenceRate, 78.0/2000, 1e-15)
	sum := 0.0
	for i, f := range patients {
		old := d.external[i]
		want := chance(got.Intercept.Value + got.Slope.Value*math.Log(old/(1-old)))
		risk := must[Risk](t)(m.RiskWithGrade(f)).Probability
		near(t, "risk by the new model", risk, want, 1e-10)
		sum += risk
	}
	near(t, "risks add up to the events", sum, 78, 1e-8)
	if len(m.Terms) != 5 || len(model.Terms) != 6 {
		t.Errorf("%d terms, want 5 without the grade, and the old model untouched", len(m.Terms))
	}

	// It is data: written, read and the same.
	text := must[[]byte](t)(json.Marshal(m))
	var back Model
	if err := json.Unmarshal(text, &back); err != nil || !reflect.DeepEqual(back, m) {
		t.Errorf("%s comes back as %+v, %v", text, back, err)
	}
	// And it can be centred and adjusted by, as the model in force can.
	if _, err := m.At(.03); err != nil {
		t.Error(err)
	}
	if _, err := AdjustedRate(3, 2.9, m, Reference{Population: request.Population, Rate: m.ReferenceRate}); err != nil {
		t.Error(err)
	}
}

// An interaction of age and sex is kept: the younger man's odds ratio is raised
// to the slope, and only his.
func TestRecalibrationKeepsInteractions(t *testing.T) {
	model := Model{Name: "shape", Version: "1", Population: "x", ReferencePRef: .1, ReferenceRate: .1, Terms: []Term{
		{Name: "age and sex", Levels: []Level{
			{OddsRatio: 3.05, When: []Condition{{Field: "sex", Is: "male"}, {Field: "age_years", Below: 60}}},
			{OddsRatio: 1.5, When: []Condition{{Field: "age_years", AtLeast: 80}}}}}}}
	groups := []struct {
		factors   Factors
		events, n int
	}{
		{Factors{Sex: "male", AgeYears: years(50)}, 60, 200}, {Factors{Sex: "female", AgeYears: years(50)}, 30, 300},
		{Factors{Sex: "male", AgeYears: years(85)}, 40, 300}, {Factors{Sex: "female", AgeYears: years(70)}, 20, 200},
	}
	var predictors []float64
	var events []bool
	for _, g := range groups {
		for i := range g.n {
			predictors = append(predictors, must[float64](t)(model.LogOddsRatio(g.factors)))
			events = append(events, i < g.events)
		}
	}
	got := must[Recalibration](t)(Recalibrate(model, predictors, events,
		RecalibrationRequest{Name: "shape-harbour", Version: "1", Population: "harbour", MinimumEvents: RecalibrationEvents}))
	for _, g := range groups {
		risk := must[Risk](t)(got.Model.Risk(g.factors))
		x := must[float64](t)(model.LogOddsRatio(g.factors))
		near(t, "odds ratio", risk.CompositeOddsRatio, math.Exp(float64(got.Slope.Value)*x), 1e-12)
	}
	if got.Model.Terms[0].Levels[0].When[1].Below != 60 || len(got.Model.Terms[0].Levels) != 2 {
		t.Errorf("the interaction became %+v", got.Model.Terms[0])
	}
}

func TestRecalibrationRefuses(t *testing.T) {
	model := CapsuleRupture2009()
	predictors, events := make([]float64, 400), make([]bool, 400)
	for i := range predictors {
		predictors[i], events[i] = float64(i%5)/5, i%10 == 4 || i%35 == 0
	}
	count := countEvents(events)
	good := RecalibrationRequest{Name: "harbour", Version: "1", Population: "harbour", MinimumEvents: fewestToRecalibrate}
	if _, err := Recalibrate(model, predictors, events, good); err != nil {
		t.Fatal(err)
	}

	var few *TooFewEventsError
	request := good
	request.MinimumEvents = RecalibrationEvents
	_, err := Recalibrate(model, predictors, events, request)
	if !errors.As(err, &few) || few.Events != count || few.Needed != 100 {
		t.Errorf("%d events: %v", count, err)
	}
	opposite := make([]bool, len(events))
	for i, e := range events {
		opposite[i] = !e
	}
	if _, err = Recalibrate(model, predictors, opposite, request); !errors.As(err, &few) || few.Events != count {
		t.Errorf("%d cases without: %v", count, err)
	}

	change := func(edit func(*RecalibrationRequest)) error {
		request := good
		edit(&request)
		_, err := Recalibrate(model, predictors, events, request)
		return err
	}
	refused(t, "name", change(func(r *RecalibrationRequest) { r.Name = "" }), "name")
	refused(t, "version", change(func(r *RecalibrationRequest) { r.Version = "" }), "version")
	refused(t, "population", change(func(r *RecalibrationRequest) { r.Population = "" }), "population")
	refused(t, "19 events", change(func(r *RecalibrationRequest) { r.MinimumEvents = 19 }), "minimum_events")
	refused(t, "the same version", change(func(r *RecalibrationRequest) { r.Name, r.Version = model.Name, model.Version }), "version")

	_, err = Recalibrate(model, predictors[1:], events, good)
	refused(t, "lengths", err, "events")
	if _, err = Recalibrate(model, nil, nil, good); !errors.Is(err, ErrNoCases) {
		t.Errorf("nothing: %v", err)
	}
	_, err = Recalibrate(Model{}, predictors, events, good)
	refused(t, "no model", err, "reference patient's risk")
	for _, bad := range []float64{math.NaN(), math.Inf(1), 31, -31, -25} {
		list := append([]float64(nil), predictors...)
		list[7] = bad
		_, err = Recalibrate(model, list, events, good)
		refused(t, "a predictor", err, "predictors[7]")
	}
	if _, err = Recalibrate(model, make([]float64, 400), events, good); !errors.Is(err, ErrCollinear) {
		t.Errorf("predictors all alike: %v", err)
	}
	against, separate := make([]float64, 400), make([]float64, 400)
	for i, e := range events {
		against[i], separate[i] = 1+float64(i%3)/9, 1+float64(i%3)/9
		if e {
			separate[i] += 2
			against[i] -= .1
		}
	}
	_, err = Recalibrate(model, against, events, good)
	refused(t, "against the model", err, "slope")
	if _, err = Recalibrate(model, separate, events, good); !errors.Is(err, ErrSeparated) {
		t.Errorf("separated: %v", err)
	}
	extreme := Model{Name: "x", Population: "x", ReferencePRef: .5, ReferenceRate: .5, Terms: []Term{
		{Name: "a", Levels: []Level{word("sex", "male", 1e300)}}, {Name: "b", Levels: []Level{word("pupil", "small", 1e300)}}}}
	_, err = extreme.LogOddsRatio(Factors{Sex: "male", Pupil: "small"})
	refused(t, "odds ratios too extreme", err, "composite odds ratio")
}
