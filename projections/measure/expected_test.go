package measure

import (
	"errors"
	"math"
	"testing"
)

func TestObservedExpectedEqualsReference(t *testing.T) {
	for _, r := range readRows(t, "standardised_ratio") {
		o, e, conf := r.whole("O"), r.number("E"), r.number("conf")
		exact := must[Interval](t)(PoissonExact(o, e, conf))
		r.absolute("exact_lower", exact.Lower, 1e-9)
		r.absolute("exact_upper", exact.Upper, 1e-9)
		byar := must[Interval](t)(Byar(o, e, conf))
		if r.number("byar_lower") >= 0 {
			r.absolute("byar_lower", byar.Lower, 1e-9)
		} else if byar.Lower != 0 {
			t.Errorf("%s: Byar's lower limit is %g, want 0 for a negative cube", r.where, byar.Lower)
		}
		r.absolute("byar_upper", byar.Upper, 1e-9)
		if conf == 0.95 {
			got := must[Ratio](t)(ObservedExpected(o, e))
			r.relative("ratio", got.Ratio, 1e-12)
			if got.Exact != exact || got.Byar != byar {
				t.Errorf("%s: the ratio's intervals differ from their own functions", r.where)
			}
		}
	}
}

func TestPoissonBinomialEqualsReference(t *testing.T) {
	risks := map[string][]float64{}
	for _, r := range readRows(t, "poisson_binomial_risks") {
		risks[r.text("list")] = append(risks[r.text("list")], r.number("p"))
	}
	for _, r := range readRows(t, "poisson_binomial") {
		list := risks[r.text("list")]
		if len(list) != r.whole("n_cases") {
			t.Fatalf("%s: %d risks, want %d", r.where, len(list), r.whole("n_cases"))
		}
		d := must[PoissonBinomial](t)(NewPoissonBinomial(list))
		k := r.whole("k")
		r.relative("pmf", d.Exactly(k), 1e-12)
		r.relative("p_le_k", d.AtMost(k), 1e-12)
		r.relative("p_ge_k", d.AtLeast(k), 1e-12)
		r.relative("p_upper_midp", d.UpperMidP(k), 1e-12)
	}
}

// Indirect standardisation: with every patient at the overall rate, the adjusted
// rate is the crude one.
func TestAdjustedRateOfAverageCasesIsCrude(t *testing.T) {
	reference, model := Reference2016To2022(), DefaultModel()
	got := must[Adjusted](t)(AdjustedRate(3, 142*reference.Rate, model, reference))
	near(t, "adjusted rate", got.Rate, 3.0/142, 1e-15)
	near(t, "its lower end", got.Exact.Lower, got.Ratio.Exact.Lower*reference.Rate, 1e-15)
}

func TestAdjustedRateRefusesAnotherPopulation(t *testing.T) {
	_, err := AdjustedRate(3, 2.9, CapsuleRupture2009(), Reference2016To2022())
	var population *PopulationError
	if !errors.As(err, &population) {
		t.Errorf("2009 model with the 2016-2022 rate: got %v, want a *PopulationError", err)
	}
	centred := must[Model](t)(DefaultModel().At(0.03))
	if _, err = AdjustedRate(3, 2.9, centred, Reference2016To2022()); !errors.As(err, &population) {
		t.Errorf("model centred on an acceptable rate: got %v, want a *PopulationError", err)
	}
	if _, err = AdjustedRate(3, 2.9, Model{}, Reference{Rate: .01}); !errors.As(err, &population) {
		t.Errorf("no population on either side: got %v, want a *PopulationError", err)
	}
}

func TestExpectedRefuses(t *testing.T) {
	for _, e := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := ObservedExpected(1, e)
		refused(t, "O/E", err, "expected")
	}
	_, err := ObservedExpected(-1, 1)
	refused(t, "O/E", err, "observed")
	_, err = PoissonExact(1, 1, 1)
	refused(t, "O/E", err, "conf")
	model, reference := DefaultModel(), Reference2016To2022()
	reference.Rate = 0
	_, err = AdjustedRate(1, 1, model, reference)
	refused(t, "adjusted", err, "reference rate")
	if _, err := NewPoissonBinomial(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("empty list: got %v, want ErrNoCases", err)
	}
	_, err = NewPoissonBinomial([]float64{.1, 1.1})
	refused(t, "list", err, "risk of case 2")
	_, err = NewPoissonBinomial([]float64{math.NaN()})
	refused(t, "list", err, "risk of case 1")
}
