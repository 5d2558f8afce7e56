package measure

import (
	"errors"
	"math"
	"testing"
)

func TestPoissonMidPEqualsReference(t *testing.T) {
	rows := 0
	for _, r := range readRows(t, "standardised_ratio") {
		rows++
		o, e, conf := r.whole("O"), r.number("E"), r.number("conf")
		got := must[Interval](t)(PoissonMidP(o, e, conf))
		r.absolute("midp_lower", got.Lower, 1e-9)
		r.absolute("midp_upper", got.Upper, 1e-9)
		if exact := must[Interval](t)(PoissonExact(o, e, conf)); got.Lower < exact.Lower || got.Upper > exact.Upper {
			t.Errorf("%s: mid-P %+v is not inside exact %+v", r.where, got, exact)
		}
		if o == 0 && got.Lower != 0 {
			t.Errorf("%s: lower limit %g without events, want exactly 0", r.where, got.Lower)
		}
	}
	if rows != 112 {
		t.Errorf("tested %d rows, want 112", rows)
	}
}

// The limits against the reference's tails of the same lists: 200-bit
// convolution in R.
func TestObservedMinusExpectedLimitsKeepTheirChance(t *testing.T) {
	risks := map[string][]float64{}
	for _, r := range readRows(t, "poisson_binomial_risks") {
		risks[r.text("list")] = append(risks[r.text("list")], r.number("p"))
	}
	checked := 0
	for _, r := range readRows(t, "poisson_binomial") {
		list := risks[r.text("list")]
		for _, conf := range []float64{0.95, 0.998} {
			all := must[[]Limits](t)(ObservedMinusExpectedLimits(list, conf))
			if len(all) != len(list) {
				t.Fatalf("%s: %d limits for %d cases", r.where, len(all), len(list))
			}
			last, tail := all[len(all)-1], (1-conf)/2
			expected, k := r.number("expected"), r.number("k")
			// k is inside exactly when each of its two tails, itself included, is
			// above the chance that may lie outside.
			inside := k-expected >= last.Lower-1e-9 && k-expected <= last.Upper+1e-9
			want := r.number("p_le_k") > tail && r.number("p_ge_k") > tail
			if inside != want {
				t.Errorf("%s at %g: %g inside %+v is %t, tails %g and %g", r.where, conf, k-expected, last, inside, r.number("p_le_k"), r.number("p_ge_k"))
			}
			checked++
		}
	}
	if checked < 100 {
		t.Errorf("checked %d, want at least 100", checked)
	}
}

// After each case the limits are those of the list up to it.
func TestObservedMinusExpectedLimitsOfEachCase(t *testing.T) {
	list := []float64{.02, .3, .5, .01, .9, 0, 1, .2}
	all := must[[]Limits](t)(ObservedMinusExpectedLimits(list, 0.95))
	for i := range list {
		part := must[[]Limits](t)(ObservedMinusExpectedLimits(list[:i+1], 0.95))
		if part[i] != all[i] {
			t.Errorf("case %d: %+v alone, %+v in the list", i+1, part[i], all[i])
		}
	}
	near(t, "after one case of 2 %, lower", all[0].Lower, -.02, 1e-15)
	near(t, "after one case of 2 %, upper", all[0].Upper, -.02, 1e-15)
	near(t, "after a case of 30 % too, upper", all[1].Upper, 1-.32, 1e-15)
}

func TestObservedMinusExpectedLimitsRefuse(t *testing.T) {
	for _, e := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := PoissonMidP(1, e, 0.95)
		refused(t, "mid-P", err, "expected")
	}
	_, err := PoissonMidP(-1, 1, 0.95)
	refused(t, "mid-P", err, "observed")
	_, err = PoissonMidP(1, 1, 1)
	refused(t, "mid-P", err, "conf")
	if _, err := ObservedMinusExpectedLimits(nil, 0.95); !errors.Is(err, ErrNoCases) {
		t.Errorf("empty list: got %v, want ErrNoCases", err)
	}
	_, err = ObservedMinusExpectedLimits([]float64{.1, math.NaN()}, .95)
	refused(t, "limits", err, "risk of case 2")
	_, err = ObservedMinusExpectedLimits([]float64{.1}, 0)
	refused(t, "limits", err, "conf")
	_, err = ObservedMinusExpectedLimits(make([]float64, maxList+1), .95)
	refused(t, "limits", err, "number of risks")
}

func FuzzObservedMinusExpectedLimits(f *testing.F) {
	f.Add(3, 2.9, 0.95, 0.01, 0.2)
	f.Add(0, 1e-9, 0.95, 0.0, 1.0)
	f.Add(1_000_000_000, 1e9, 0.5, 0.5, 0.5)
	f.Fuzz(func(t *testing.T, o int, e, conf, p1, p2 float64) {
		got, err := PoissonMidP(o, e, conf)
		if orRefused(t, err) {
			allFinite(t, "mid-P", got.Lower, got.Upper)
			if got.Lower < 0 || got.Lower > got.Upper {
				t.Errorf("%d of %g at %g: %+v", o, e, conf, got)
			}
		}
		all, err := ObservedMinusExpectedLimits([]float64{p1, p2, p1, p2}, conf)
		if orRefused(t, err) {
			for _, l := range all {
				allFinite(t, "limits", l.Lower, l.Upper)
				// The median of such a number is less than one event from its mean.
				if l.Lower > l.Upper || l.Lower > 1 || l.Upper < -1 {
					t.Errorf("%g, %g at %g: %+v", p1, p2, conf, l)
				}
			}
		}
	})
}
