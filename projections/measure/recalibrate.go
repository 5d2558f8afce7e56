package measure

import (
	"math"
	"strconv"
)

// RecalibrationEvents is the number of events, and of cases without, below which
// a department keeps the published model.
//
// Source: Vergouwe Y et al. J Clin Epidemiol 2005;58:475-483, at least 100 of
// each to judge a model (from memory).
const RecalibrationEvents = 100

// fewestToRecalibrate is EventsPerTerm for each of intercept and slope.
const fewestToRecalibrate = 2 * EventsPerTerm

// maxLogOddsRatio bounds a linear predictor: an odds ratio of 10^13.
const maxLogOddsRatio = 30

// RecalibrationRequest names the model that is to come out. Population is the
// operations whose predictors and events are given, and none of the three may be
// empty. MinimumEvents is RecalibrationEvents unless there is a stated reason, and
// never less than 20.
type RecalibrationRequest struct {
	Name          string `json:"name"`
	Version       string `json:"version"`
	Population    string `json:"population"`
	MinimumEvents int    `json:"minimum_events"`
}

// Recalibration is a model refitted to a department's own operations: the logit
// of its risk is Intercept + Slope x the logit of the old model's risk. Before
// judges the old model on these operations. After and Deciles judge the new one
// on the operations it was fitted to, so they flatter it: its slope is 1 and its
// intercept 0 by construction, and its c-statistic is the old one's. Only later
// operations can judge it.
type Recalibration struct {
	Model          Model          `json:"model"`
	From           string         `json:"from"`
	Intercept      Coefficient    `json:"intercept"`
	Slope          Coefficient    `json:"slope"`
	Before         Calibration    `json:"before"`
	After          Calibration    `json:"after"`
	Deciles        []RiskGroup    `json:"deciles"`
	HosmerLemeshow HosmerLemeshow `json:"hosmer_lemeshow"`
}

// Recalibrate fits intercept and slope of a model to a department's operations,
// by logistic regression of the events on the logit of the model's risk.
// predictors are the model's linear predictors, one for each operation: the
// natural logarithm of the composite odds ratio, as Model.LogOddsRatio gives it,
// with the surgeon at the reference grade. The new model has the old one's terms
// with each odds ratio raised to the slope; terms about the surgeon are left out,
// because the intercept already holds the department's own mix of grades.
//
// It refuses with a *TooFewEventsError below MinimumEvents events, or cases
// without, which says how many there are and how many are needed; with
// ErrCollinear when all predictors are alike; and with ErrSeparated when they
// tell every event apart. A slope of 0 or less, which would turn the model's
// odds ratios round, is an *ArgumentError about the slope.
//
// Source: Cox DR. Biometrika 1958;45:562-565 (from memory); Steyerberg EW.
// Clinical Prediction Models, 2009, updating of intercept and slope (from
// memory).
func Recalibrate(model Model, predictors []float64, events []bool, r RecalibrationRequest) (Recalibration, error) {
	if err := r.check(model); err != nil {
		return Recalibration{}, err
	}
	if err := model.check(); err != nil {
		return Recalibration{}, err
	}
	if len(predictors) != len(events) {
		return Recalibration{}, outsideCount("events", len(events), "one for each of "+strconv.Itoa(len(predictors))+" predictors")
	}
	if len(predictors) == 0 {
		return Recalibration{}, ErrNoCases
	}
	reference := odds(model.ReferencePRef)
	risks := make([]float64, len(predictors))
	for i, x := range predictors {
		if !(math.Abs(x) <= maxLogOddsRatio) {
			return Recalibration{}, outside("predictors["+strconv.Itoa(i)+"]", x, "-30 to 30, a natural logarithm of an odds ratio")
		}
		// Rounded, so that the same odds ratios multiplied in another order tie.
		o := float64(reference * math.Exp(math.Round(float64(x*1e12))/1e12))
		risks[i] = o / (1 + o)
		if checkProbability("risk", risks[i]) != nil {
			return Recalibration{}, outside("predictors["+strconv.Itoa(i)+"]", x, "one that gives a risk more than 0 and less than 1")
		}
	}
	if err := enoughEvents(events, r.MinimumEvents); err != nil {
		return Recalibration{}, err
	}
	before, err := NewCalibration(risks, events)
	if err != nil {
		return Recalibration{}, err
	}
	out := Recalibration{From: model.Name + " " + model.Version, Intercept: before.Intercept, Slope: before.Slope, Before: before}
	if out.Model, err = model.refitted(before, r); err != nil {
		return Recalibration{}, err
	}
	for i, p := range risks {
		risks[i] = chance(before.Intercept.Value + float64(before.Slope.Value*(math.Log(p)-math.Log1p(-p))))
	}
	if out.After, err = NewCalibration(risks, events); err != nil {
		return Recalibration{}, err
	}
	if out.Deciles, err = Deciles(risks, events); err != nil {
		return Recalibration{}, err
	}
	out.HosmerLemeshow, err = NewHosmerLemeshow(out.Deciles)
	return out, err
}

func (r RecalibrationRequest) check(model Model) error {
	for _, part := range []struct{ name, value string }{{"name", r.Name}, {"version", r.Version}, {"population", r.Population}} {
		if part.value == "" {
			return outsideWord(part.name, part.value, "a name")
		}
	}
	if r.Name == model.Name && r.Version == model.Version {
		return outsideWord("version", r.Version, "another version than the model it comes from")
	}
	if r.MinimumEvents < fewestToRecalibrate || r.MinimumEvents > maxCases {
		return outsideCount("minimum_events", r.MinimumEvents, "20 to 1000000000")
	}
	return nil
}

// refitted is the model with intercept and slope applied to all its patients.
func (m Model) refitted(c Calibration, r RecalibrationRequest) (Model, error) {
	slope := c.Slope.Value
	if !(slope > 0) {
		return Model{}, outside("slope", slope, "more than 0: among these operations risks run against the model, so keep or replace it")
	}
	out := Model{Name: r.Name, Version: r.Version, Population: r.Population,
		Source:        "intercept and slope of " + m.Name + " " + m.Version + " refitted; " + m.Source,
		ReferencePRef: chance(c.Intercept.Value + float64(slope*math.Log(odds(m.ReferencePRef)))),
		ReferenceRate: float64(c.Events) / float64(c.N)}
	for _, term := range m.Terms {
		if term.Grade {
			continue
		}
		levels := make([]Level, len(term.Levels))
		for i, level := range term.Levels {
			levels[i] = Level{When: append([]Condition(nil), level.When...), OddsRatio: math.Pow(level.OddsRatio, slope)}
		}
		out.Terms = append(out.Terms, Term{Name: term.Name, Levels: levels})
	}
	return out, out.check()
}

// LogOddsRatio is a patient's linear predictor, the natural logarithm of the
// composite odds ratio with the surgeon at the reference grade. Errors are as
// for Risk.
func (m Model) LogOddsRatio(f Factors) (float64, error) {
	risk, err := m.Risk(f)
	if err != nil {
		return 0, err
	}
	x := math.Log(risk.CompositeOddsRatio)
	if !finite(x) {
		return 0, outside("composite odds ratio", risk.CompositeOddsRatio, "more than 0 and finite: the model's odds ratios are too extreme")
	}
	return x, nil
}
