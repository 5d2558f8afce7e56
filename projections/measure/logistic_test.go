package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

type logisticData struct {
	terms            [][]float64
	events           []bool
	fitted, external []float64
}

func readLogistic(t *testing.T) (d logisticData) {
	t.Helper()
	for _, r := range readRows(t, "logistic_data") {
		var terms []float64
		for _, column := range []string{"x1", "x2", "x3", "x4", "x5", "x6"} {
			terms = append(terms, r.number(column))
		}
		d.terms = append(d.terms, terms)
		d.events = append(d.events, r.whole("y") == 1)
		d.fitted = append(d.fitted, r.number("fitted"))
		d.external = append(d.external, r.number("p_external"))
	}
	return d
}

// later are the risks of the second thousand cases by a fit to the first, rounded
// as in the file so that equal patterns tie.
func (d logisticData) later(t *testing.T, half Logistic) []float64 {
	t.Helper()
	var risks []float64
	for _, terms := range d.terms[1000:] {
		risks = append(risks, math.Round(must[float64](t)(half.Risk(terms...))*1e12)/1e12)
	}
	return risks
}

// places of the coefficients in the file's names.
var places = map[string]int{"(Intercept)": 0, "x1": 1, "x2": 2, "x3": 3, "x4": 4, "x5": 5, "x6": 6}

func TestLogisticEqualsReference(t *testing.T) {
	d := readLogistic(t)
	whole := must[Logistic](t)(FitLogistic(d.terms, d.events, EventsPerTerm))
	half := must[Logistic](t)(FitLogistic(d.terms[:1000], d.events[:1000], 5))
	for i, terms := range d.terms {
		near(t, "fitted risk", must[float64](t)(whole.Risk(terms...)), d.fitted[i], 1e-11)
	}
	later := d.later(t, half)
	judged := map[string]Calibration{
		"apparent":   must[Calibration](t)(NewCalibration(d.fitted, d.events)),
		"external":   must[Calibration](t)(NewCalibration(d.external, d.events)),
		"split_test": must[Calibration](t)(NewCalibration(later, d.events[1000:])),
	}
	tested, wald := 0, must[[]WaldTest](t)(whole.Wald())
	for _, r := range readRows(t, "logistic_fit") {
		section, name := r.text("section"), r.text("name")
		tested++
		switch section {
		case "glm_coef":
			r.absolute("value", whole.Coefficients[places[name]], 1e-8)
			r.absolute("se", whole.StandardErrors[places[name]], 1e-8)
			continue
		case "split_glm_coef":
			r.absolute("value", half.Coefficients[places[name]], 1e-8)
			r.absolute("se", half.StandardErrors[places[name]], 1e-8)
			continue
		case "glm_vcov":
			a, b, _ := strings.Cut(name, ":")
			r.absolute("value", whole.Covariance[places[a]][places[b]], 1e-8)
			r.absolute("value", whole.Covariance[places[b]][places[a]], 1e-8)
			continue
		case "glm":
			switch name {
			case "deviance":
				r.absolute("value", whole.Deviance, 1e-8)
				continue
			case "null_deviance":
				r.absolute("value", whole.NullDeviance, 1e-8)
				continue
			case "events":
				r.absolute("value", float64(whole.Events), 0)
				continue
			case "logLik":
				r.absolute("value", whole.LogLikelihood, 1e-8)
				continue
			case "aic":
				r.absolute("value", whole.AIC, 1e-8)
				continue
			}
		case "glm_wald_z":
			r.relative("value", wald[places[name]].Z, 1e-8)
			continue
		case "glm_wald_p":
			r.relative("value", wald[places[name]].P, 1e-7)
			continue
		}
		c, ok := judged[section]
		if !ok {
			tested--
			continue
		}
		switch name {
		case "auc":
			r.absolute("value", c.CStatistic.Value, 1e-12)
			r.absolute("se", c.CStatistic.SE, 1e-12)
		case "auc_delong_lower95":
			r.absolute("value", c.CInterval.Lower, 1e-10)
		case "auc_delong_upper95":
			r.absolute("value", c.CInterval.Upper, 1e-10)
		case "brier":
			r.absolute("value", c.Brier, 1e-10)
		case "brier_scaled":
			r.absolute("value", c.ScaledBrier, 1e-10)
		case "mean_log_loss":
			r.absolute("value", c.LogLoss, 1e-10)
		case "calibration_slope":
			r.absolute("value", c.Slope.Value, 1e-7)
			r.absolute("se", c.Slope.SE, 1e-7)
		case "calibration_intercept_joint":
			r.absolute("value", c.Intercept.Value, 1e-7)
			r.absolute("se", c.Intercept.SE, 1e-7)
		case "calibration_in_the_large":
			r.absolute("value", c.InTheLarge.Value, 1e-7)
			r.absolute("se", c.InTheLarge.SE, 1e-7)
		case "observed_expected_ratio":
			r.absolute("value", c.ObservedExpected, 1e-10)
		default:
			tested--
		}
	}
	// All but the number of iterations, which is R's own, and the patterns and
	// Hosmer-Lemeshow rows, for which see TestHosmerLemeshowEqualsReference.
	if want := 7 + 7 + 28 + 14 + 5 + 3*10; tested != want {
		t.Errorf("tested %d rows of logistic_fit.csv, want %d", tested, want)
	}
}

// Two by two, where the coefficients are known in closed form: the log odds and
// the log odds ratio, with Woolf's standard error.
func TestLogisticTwoByTwo(t *testing.T) {
	var terms [][]float64
	var events []bool
	add := func(n int, x float64, event bool) {
		for range n {
			terms, events = append(terms, []float64{x}), append(events, event)
		}
	}
	add(12, 1000, true)
	add(88, 1000, false)
	add(20, 0, true)
	add(380, 0, false)
	l := must[Logistic](t)(FitLogistic(terms, events, EventsPerTerm))
	near(t, "intercept", l.Coefficients[0], math.Log(20.0/380), 1e-10)
	near(t, "log odds ratio of 1000", 1000*l.Coefficients[1], math.Log(12.0/88/(20.0/380)), 1e-10)
	near(t, "its standard error", 1000*l.StandardErrors[1], math.Sqrt(1.0/12+1.0/88+1.0/20+1.0/380), 1e-10)
}

// By hand: of four pairs of the middle two risks two tie.
func TestCStatisticTies(t *testing.T) {
	var risks []float64
	var events []bool
	for range 10 {
		risks, events = append(risks, .1, .2, .2, .3), append(events, false, true, false, true)
	}
	// With the event .2 and .3, without .1 and .2: pairs 1, 1/2, 1, 1.
	if got := must[Coefficient](t)(CStatistic(risks, events)); got.Value != 3.5/4 {
		t.Errorf("c-statistic %g, want 0.875", got.Value)
	}
	for i := range risks {
		risks[i] = .3
	}
	if got := must[Coefficient](t)(CStatistic(risks, events)); got.Value != .5 || got.SE != 0 {
		t.Errorf("all alike: %+v, want 1/2", got)
	}
}

func TestLogisticRefuses(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3)) // seed 3, 3
	terms, events, risks := make([][]float64, 200), make([]bool, 200), make([]float64, 200)
	for i := range terms {
		terms[i] = []float64{random.Float64(), float64(i % 2)}
		events[i] = random.IntN(4) == 0
		risks[i] = .1 + .2*random.Float64()
	}
	var few *TooFewEventsError
	_, err := FitLogistic(terms, make([]bool, 200), EventsPerTerm)
	if !errors.As(err, &few) || few.Events != 0 || few.Needed != 20 || err.Error() != "events (or cases without) number 0, at least 20 are needed" {
		t.Errorf("no events: %v", err)
	}
	_, err = FitLogistic(terms, events, 100)
	if !errors.As(err, &few) || few.Needed != 200 || few.Events != countEvents(events) {
		t.Errorf("too few events: %v", err)
	}
	most := make([]bool, 200)
	for i := range most {
		most[i] = i > 6
	}
	if _, err = FitLogistic(terms, most, EventsPerTerm); !errors.As(err, &few) || few.Events != 7 {
		t.Errorf("7 without the event: %v", err)
	}
	if _, err = NewCalibration(risks, most); !errors.As(err, &few) || few.Events != 7 || few.Needed != 10 {
		t.Errorf("calibration on 7: %v", err)
	}
	if _, err = CStatistic(risks, most); !errors.As(err, &few) {
		t.Errorf("c-statistic on 7: %v", err)
	}

	change := func(edit func(row []float64, i int)) [][]float64 {
		out := make([][]float64, len(terms))
		for i := range out {
			out[i] = []float64{terms[i][0], terms[i][1]}
			edit(out[i], i)
		}
		return out
	}
	for name, c := range map[string]struct {
		terms [][]float64
		want  error
	}{
		"constant":  {change(func(row []float64, _ int) { row[1] = 3 }), ErrCollinear},
		"zero":      {change(func(row []float64, _ int) { row[1] = 0 }), ErrCollinear},
		"doubled":   {change(func(row []float64, _ int) { row[1] = 2 * row[0] }), ErrCollinear},
		"separated": {change(func(row []float64, i int) { row[1] = map[bool]float64{true: 1}[events[i]] }), ErrSeparated},
		"one-sided": {change(func(row []float64, i int) { row[1] = map[bool]float64{true: 1}[events[i] && i%2 == 0] }), ErrSeparated},
	} {
		if _, err := FitLogistic(c.terms, events, EventsPerTerm); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), 2e9} {
		_, err = FitLogistic(change(func(row []float64, i int) {
			if i == 7 {
				row[1] = bad
			}
		}), events, EventsPerTerm)
		refused(t, "a term", err, "terms[7][1]")
	}
	ragged := change(func([]float64, int) {})
	ragged[3] = ragged[3][:1]
	_, err = FitLogistic(ragged, events, EventsPerTerm)
	refused(t, "ragged", err, "terms[3]")
	_, err = FitLogistic([][]float64{{}}, []bool{true}, EventsPerTerm)
	refused(t, "no terms", err, "terms[0]")
	_, err = FitLogistic(terms, events[1:], EventsPerTerm)
	refused(t, "lengths", err, "events")
	_, err = FitLogistic(terms, events, 4)
	refused(t, "events per term", err, "events per term")
	if _, err = FitLogistic(nil, nil, EventsPerTerm); !errors.Is(err, ErrNoCases) {
		t.Errorf("nothing: %v", err)
	}
	l := must[Logistic](t)(FitLogistic(terms, events, EventsPerTerm))
	_, err = l.Risk(1)
	refused(t, "too few terms", err, "terms")
	_, err = l.Risk(1, math.NaN())
	refused(t, "NaN", err, "terms[1]")
}

func TestCalibrationRefuses(t *testing.T) {
	judges := map[string]func([]float64, []bool) error{
		"calibration": func(r []float64, e []bool) error { _, err := NewCalibration(r, e); return err },
		"c-statistic": func(r []float64, e []bool) error { _, err := CStatistic(r, e); return err },
		"brier":       func(r []float64, e []bool) error { _, err := Brier(r, e); return err },
		"scaled":      func(r []float64, e []bool) error { _, err := ScaledBrier(r, e); return err },
		"log loss":    func(r []float64, e []bool) error { _, err := LogLoss(r, e); return err },
		"quantiles":   func(r []float64, e []bool) error { _, err := QuantileGroups(r, e); return err },
		"deciles":     func(r []float64, e []bool) error { _, err := Deciles(r, e); return err },
	}
	for name, judge := range judges {
		if err := judge(nil, nil); !errors.Is(err, ErrNoCases) {
			t.Errorf("%s of nothing: %v", name, err)
		}
		refused(t, name, judge([]float64{.1}, nil), "events")
		for _, p := range []float64{0, 1, -1, 2, math.NaN(), math.Inf(1)} {
			refused(t, name, judge([]float64{.1, p}, make([]bool, 2)), "risks[1]")
		}
	}
	refused(t, "nine cases", judges["quantiles"]([]float64{.1, .1, .1, .1, .1, .1, .1, .1, .1}, make([]bool, 9)), "risks")
	var few *TooFewEventsError
	if err := judges["scaled"]([]float64{.1, .2}, make([]bool, 2)); !errors.As(err, &few) || few.Events != 0 || few.Needed != 1 {
		t.Errorf("scaled Brier without events: %v", err)
	}
	_, err := Logistic{}.Wald()
	refused(t, "no fit", err, "standard errors")
	_, err = Logistic{Coefficients: []float64{1}, StandardErrors: []float64{0}}.Wald()
	refused(t, "no spread", err, "standard errors[0]")
	refused(t, "nine cases", judges["deciles"]([]float64{.1, .1, .1, .1, .1, .1, .1, .1, .1}, make([]bool, 9)), "risks")
	risks, events := make([]float64, 40), make([]bool, 40)
	for i := range risks {
		risks[i], events[i] = .3, i%3 == 0
	}
	if err := judges["calibration"](risks, events); !errors.Is(err, ErrCollinear) {
		t.Errorf("risks all alike: %v", err)
	}
	for i := range risks {
		risks[i], events[i] = float64(i+1)/50, i >= 20
	}
	if err := judges["calibration"](risks, events); !errors.Is(err, ErrSeparated) {
		t.Errorf("perfect risks: %v", err)
	}
}

func orNoFit(t *testing.T, err error) bool {
	t.Helper()
	var few *TooFewEventsError
	if errors.Is(err, ErrSeparated) || errors.Is(err, ErrCollinear) || errors.As(err, &few) {
		return false
	}
	return orRefused(t, err)
}

func FuzzLogistic(f *testing.F) {
	f.Add(uint64(0x5A5A5A5A0F0F3C3C), uint64(1), 1.0, 0.0, 0.1)
	f.Add(uint64(0xFFFFFFFF00000000), uint64(9), 1e9, -1e9, 1e-12)
	f.Add(uint64(0xAAAAAAAAAAAAAAAA), uint64(3), 1e-300, math.NaN(), 0.999999999999)
	f.Fuzz(func(t *testing.T, outcomes, seed uint64, scale, shift, risk float64) {
		random := rand.New(rand.NewPCG(seed, 1))
		terms, events, risks := make([][]float64, 64), make([]bool, 64), make([]float64, 64)
		for i := range terms {
			terms[i] = []float64{shift + scale*float64(random.IntN(5)), float64(random.IntN(3))}
			events[i] = outcomes>>i&1 == 1
			risks[i] = risk * (1 - random.Float64()/2)
		}
		if l, err := FitLogistic(terms, events, 5); orNoFit(t, err) {
			allFinite(t, "fit", l.Coefficients...)
			allFinite(t, "fit", l.StandardErrors...)
			allFinite(t, "fit", l.Deviance, l.NullDeviance)
			sum := 0.0
			for i := range terms {
				p, err := l.Risk(terms[i]...)
				if orRefused(t, err) {
					sum += p
				}
			}
			// With an intercept, fitted risks add up to the events.
			if math.Abs(sum-float64(l.Events)) > 1e-4 {
				t.Errorf("risks add up to %g, events are %d: %+v", sum, l.Events, l)
			}
		}
		if c, err := NewCalibration(risks, events); orNoFit(t, err) {
			allFinite(t, "calibration", c.Slope.Value, c.Slope.SE, c.Intercept.Value, c.InTheLarge.Value, c.InTheLarge.SE, c.CStatistic.SE, c.Brier, c.ObservedExpected)
		}
		if c, err := CStatistic(risks, events); orNoFit(t, err) && !(c.Value >= 0 && c.Value <= 1) {
			t.Errorf("c-statistic %+v", c)
		}
		if b, err := Brier(risks, events); orRefused(t, err) && !(b >= 0 && b <= 1) {
			t.Errorf("Brier %g", b)
		}
		if groups, err := Deciles(risks, events); orRefused(t, err) {
			n := 0
			for _, g := range groups {
				n += g.N
			}
			if n != len(risks) {
				t.Errorf("%d of %d cases in %+v", n, len(risks), groups)
			}
		}
	})
}
