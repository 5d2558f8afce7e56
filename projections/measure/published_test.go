package measure

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// halfUnit is half a unit of the last digit that was printed.
func halfUnit(text string) float64 {
	_, decimals, _ := strings.Cut(text, ".")
	return 0.5*math.Pow10(-len(decimals)) + 1e-9
}

// Counts and percentages of publications, each with its source in its row.
func TestPublishedRates(t *testing.T) {
	rows := readPublished(t, "rates")
	for _, r := range rows {
		got := must[Rate](t)(NewRate(r.whole("events"), r.whole("n")))
		r.absolute("percent", 100*got.Rate, halfUnit(r.text("percent")))
		if !(got.Exact.Lower < got.Rate && got.Rate < got.Exact.Upper && got.Exact.Upper-got.Exact.Lower >= got.Wilson.Upper-got.Wilson.Lower-1e-6) {
			t.Errorf("%s: %+v", r.where, got)
		}
	}
	if len(rows) != 39 {
		t.Errorf("%d rows, want 39", len(rows))
	}
}

// By points the strata add up to all, and the chance rises: Muhtaseb M et al. Br J
// Ophthalmol 2004;88:1242-1246. By semester it does not fall in order: PMC7778434.
func TestPublishedStrataAddUp(t *testing.T) {
	sums := map[string][2]int{}
	for _, r := range readPublished(t, "rates") {
		for _, series := range []string{"Muhtaseb"} {
			if strings.HasPrefix(r.text("source"), series) {
				key := series + " parts"
				if strings.HasSuffix(r.text("what"), ", all") {
					key = series + " all"
				}
				sum := sums[key]
				sums[key] = [2]int{sum[0] + r.whole("events"), sum[1] + r.whole("n")}
			}
		}
	}
	if sums["Muhtaseb parts"] != sums["Muhtaseb all"] || sums["Muhtaseb all"] != [2]int{22, 1000} {
		t.Errorf("%v", sums)
	}
}

// Observed over expected by surgeon, and the sum over all of expected minus
// observed, -8.446691, computed in R.
func TestPublishedObservedExpected(t *testing.T) {
	n, observed, expected := 0, 0, 0.0
	for _, r := range readPublished(t, "surgeon_observed_expected") {
		got := must[Ratio](t)(ObservedExpected(r.whole("observed"), r.number("expected")))
		r.absolute("ratio", got.Ratio, halfUnit(r.text("ratio")))
		if !(got.Exact.Lower < got.Ratio && got.Ratio < got.Exact.Upper) {
			t.Errorf("%s: %+v", r.where, got)
		}
		n, observed, expected = n+r.whole("n"), observed+r.whole("observed"), expected+r.number("expected")
	}
	if n != 5595 || observed != 361 {
		t.Errorf("%d deaths in %d operations, want 361 in 5595", observed, n)
	}
	near(t, "expected minus observed", expected-float64(observed), -8.446691, 7*0.5e-3)
}

// Every acuity is read to its hundredth of logMAR.
func TestPublishedAcuities(t *testing.T) {
	rows := readPublished(t, "acuity")
	for _, r := range rows {
		got := read(t, Notation(r.text("notation")), r.text("text"))
		// A hundredth of logMAR is the unit kept; nominal sizes are off by less than one.
		r.absolute("logmar", float64(got.LogMARHundredths)/100, 0.005+1e-9)
	}
	if len(rows) != 33 {
		t.Errorf("%d rows, want 33", len(rows))
	}
	// 0.1 is a factor of 1.2589 and 0.30 one of 1.9953, not 2 (Holladay 2004): 6/12
	// is 0.30103 and is still read as 30, so that "0.30 or better" holds it.
	if got := read(t, NotationMetres, "6/12"); got.LogMARHundredths != 30 {
		t.Errorf("6/12 is %d hundredths", got.LogMARHundredths)
	}
	near(t, "geometric mean of 20/20 and 20/200", 20*math.Pow(10, .5), 63.2456, 0.5e-4)
	// A survey's convention gives 0.47 to 6/18; the angle's logarithm, 0.4771, is 48.
	if got := read(t, NotationMetres, "6/18"); got.LogMARHundredths != 48 {
		t.Errorf("6/18 is %d hundredths", got.LogMARHundredths)
	}
	// Counting fingers and hand movements measured as decimals of 0.014 and 0.005
	// (Schulze-Bonsel K et al. Invest Ophthalmol Vis Sci 2006;47:1236-1240) lie below
	// every chart, and are words here.
	for _, decimal := range []string{"0.014", "0.005"} {
		_, err := ParseAcuity(NotationDecimal, decimal)
		refused(t, decimal, err, "decimal")
	}
}

// A normal curve with the published SD of 0.67 D and mean of -0.07 D would give
// 54.2 and 86.2 % within 0.50 and 1.00 D, computed in R; counted they are 62.36 and
// 88.76 %: Brogan K et al. Br J Ophthalmol 2019;103:539. So shares are counted.
func TestSharesAreNotThoseOfANormalCurve(t *testing.T) {
	normal := func(bound float64) float64 {
		below := func(x float64) float64 { return math.Erfc(-(x+.07)/.67/math.Sqrt2) / 2 }
		return 100 * (below(bound) - below(-bound))
	}
	for _, c := range []struct{ bound, normal, counted float64 }{{.5, 54.2, 62.36}, {1, 86.2, 88.76}} {
		near(t, "normal, within "+strconv.FormatFloat(c.bound, 'f', 2, 64), normal(c.bound), c.normal, .051)
		if math.Abs(normal(c.bound)-c.counted) < 2 {
			t.Errorf("within %g D the two agree", c.bound)
		}
	}
}
