package measure

import (
	"errors"
	"math"
	"testing"
)

// Newcombe RG. Stat Med 1998;17:873-890, table II, method 10. The first two rows
// were read in a public test suite that quotes the table, the others are from
// memory.
func TestDifferenceEqualsNewcombe(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		lower, upper   float64
	}{
		{56, 70, 48, 80, .0524, .3339},
		{9, 10, 3, 10, .1705, .8090},
		{6, 7, 2, 7, .0582, .8062},
		{5, 56, 0, 29, -.0381, .1926},
		{0, 10, 0, 20, -.1611, .2775},
		{0, 10, 0, 10, -.2775, .2775},
		{10, 10, 0, 20, .6791, 1},
		{10, 10, 0, 10, .6075, 1},
		// contingencytables 1.0 (R): Perondi et al. 2004, 7/34 and 1/34.
		{7, 34, 1, 34, .0189, .3404},
	} {
		got := must[Interval](t)(NewcombeDifference(c.x1, c.n1, c.x2, c.n2, 0.95))
		near(t, "lower end", got.Lower, c.lower, 0.5e-4+1e-12)
		near(t, "upper end", got.Upper, c.upper, 0.5e-4+1e-12)
	}
}

func TestRatioEqualsKoopman(t *testing.T) {
	for _, c := range []struct {
		source                  string
		x1, n1, x2, n2          int
		lower, upper, tolerance float64
	}{
		{"Koopman PAR. Biometrics 1984;40:513-517, example (from memory)", 36, 40, 16, 80, 2.94, 7.15, 0.005},
		{"contingencytables (R), Perondi et al. 2004", 7, 34, 1, 34, 1.2209, 42.5757, 0.5e-4},
		// Computed with 40 digits from the definition, by maximising the likelihood.
		{"computed", 7, 34, 1, 34, 1.2208528535148115, 42.575717609760396, 1e-11},
		{"computed", 36, 40, 16, 80, 2.939569192214994, 7.15222343486603, 1e-11},
		{"computed", 12, 501, 23, 454, 0.24086216842734426, 0.9262005695786368, 1e-12},
		{"computed", 0, 50, 3, 60, 0, 1.4858921516612833, 1e-12},
		{"computed", 9, 10, 9, 10, 0.6486162079796579, 1.541743773432443, 1e-12},
	} {
		got := must[Interval](t)(KoopmanRatio(c.x1, c.n1, c.x2, c.n2, 0.95))
		near(t, c.source+", lower end", got.Lower, c.lower, c.tolerance)
		near(t, c.source+", upper end", got.Upper, c.upper, c.tolerance)
	}
}

func TestFisherEqualsPublished(t *testing.T) {
	for _, c := range []struct {
		source               string
		x1, n1, x2, n2       int
		p, relativeTolerance float64
	}{
		{"tea: 3 of 4 against 1 of 4, 34/70 by counting", 3, 4, 1, 4, 34.0 / 70, 1e-14},
		// Staropoli PC et al. Simul Healthc 2018;13:11-15 prints .037 and .032; the
		// counts are inferred from its percentages.
		{"complications after a simulator", 12, 501, 23, 454, .037, 0.5e-3 / .037},
		{"ruptures after a simulator", 11, 501, 22, 454, .032, 0.5e-3 / .032},
		{"contingencytables (R), Ritland et al. 2007", 0, 16, 15, 72, .06287, 1e-4},
		// Computed in whole numbers.
		{"computed", 12, 501, 23, 454, 0.037354579780078515, 1e-12},
		{"computed", 11, 501, 22, 454, 0.032237651402079605, 1e-12},
		{"computed", 7, 34, 1, 34, 0.05440013049506565, 1e-13},
		{"computed", 82, 4303, 650, 62994, 9.340920649171073e-07, 1e-11},
		{"computed, far out", 40, 1000, 400, 1000, 5.893967847396776e-94, 1e-11},
		{"computed, furthest", 0, 3000, 900, 3000, 5.582482215188536e-306, 1e-10},
		{"computed", 5, 5, 0, 1, 1.0 / 6, 1e-14},
		{"all tables as likely or less", 2, 10, 2, 10, 1, 1e-14},
		{"one table alone", 0, 10, 0, 20, 1, 0},
	} {
		got := must[float64](t)(FisherExact(c.x1, c.n1, c.x2, c.n2))
		near(t, c.source, got, c.p, c.relativeTolerance*c.p)
	}
}

func TestComparisonProperties(t *testing.T) {
	for _, c := range [][4]int{{0, 5, 0, 9}, {1, 40, 3, 60}, {12, 501, 23, 454}, {9, 10, 9, 10}, {10, 10, 10, 10}, {5, 5, 1, 1}, {3, 40, 1, 1_000_000}} {
		x1, n1, x2, n2 := c[0], c[1], c[2], c[3]
		there := must[Interval](t)(NewcombeDifference(x1, n1, x2, n2, 0.95))
		back := must[Interval](t)(NewcombeDifference(x2, n2, x1, n1, 0.95))
		near(t, "difference the other way round", there.Lower, -back.Upper, 1e-14)
		p := must[float64](t)(FisherExact(x1, n1, x2, n2))
		near(t, "p the other way round", must[float64](t)(FisherExact(x2, n2, x1, n1)), p, 1e-12*p)
		near(t, "p of the complements", must[float64](t)(FisherExact(n1-x1, n1, n2-x2, n2)), p, 1e-12*p)
		if x1 > 0 && x2 > 0 {
			there, back := must[Interval](t)(KoopmanRatio(x1, n1, x2, n2, 0.95)), must[Interval](t)(KoopmanRatio(x2, n2, x1, n1, 0.95))
			near(t, "ratio the other way round", there.Lower*back.Upper, 1, 1e-9)
			wider := must[Interval](t)(KoopmanRatio(x1, n1, x2, n2, 0.998))
			if !(wider.Lower < there.Lower && wider.Upper > there.Upper) {
				t.Errorf("%v: 99.8 %% %+v does not hold 95 %% %+v", c, wider, there)
			}
		}
		got := must[Comparison](t)(CompareRates(x1, n1, x2, n2))
		if got.DifferenceInterval != there || got.FisherP != p || (got.Ratio == nil) != (x2 == 0) {
			t.Errorf("%v: comparison %+v differs from its parts", c, got)
		}
		if !(there.Lower <= got.Difference && got.Difference <= there.Upper) {
			t.Errorf("%v: %+v does not hold the difference %g", c, there, got.Difference)
		}
		if got.Ratio != nil && !(got.Ratio.Interval.Lower <= got.Ratio.Ratio && got.Ratio.Ratio <= got.Ratio.Interval.Upper) {
			t.Errorf("%v: %+v does not hold its ratio", c, got.Ratio)
		}
	}
}

func TestComparisonRefuses(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2 int
		conf           float64
		want           string
	}{
		{-1, 5, 1, 5, .95, "first events"}, {6, 5, 1, 5, .95, "first events"}, {1, -5, 1, 5, .95, "first n"},
		{1, 5, -1, 5, .95, "second events"}, {1, 5, 6, 5, .95, "second events"}, {1, 5, 1, -1, .95, "second n"},
		{1, 0, 1, 5, .95, "first events"},
		{1, 5, 1, 5, 1, "conf"}, {1, 5, 1, 5, math.NaN(), "conf"},
	} {
		_, err := NewcombeDifference(c.x1, c.n1, c.x2, c.n2, c.conf)
		refused(t, "difference", err, c.want)
		_, err = KoopmanRatio(c.x1, c.n1, c.x2, c.n2, c.conf)
		refused(t, "ratio", err, c.want)
		if c.want != "conf" {
			_, err = FisherExact(c.x1, c.n1, c.x2, c.n2)
			refused(t, "Fisher", err, c.want)
			_, err = CompareRates(c.x1, c.n1, c.x2, c.n2)
			refused(t, "comparison", err, c.want)
		}
	}
	_, err := KoopmanRatio(1, 5, 0, 5, .95)
	refused(t, "ratio to nothing", err, "second events")
	_, err = FisherExact(1, 20_000_000, 1, 5)
	refused(t, "Fisher", err, "first n")
	_, err = FisherExact(1, 5, 1, 20_000_000)
	refused(t, "Fisher", err, "second n")
	for _, c := range [][4]int{{0, 0, 1, 5}, {1, 5, 0, 0}} {
		if _, err := CompareRates(c[0], c[1], c[2], c[3]); !errors.Is(err, ErrNoCases) {
			t.Errorf("%v: got %v, want ErrNoCases", c, err)
		}
	}
}

func FuzzCompare(f *testing.F) {
	f.Add(12, 501, 23, 454, 0.95)
	f.Add(0, 1, 1, 1_000_000_000, 0.999999)
	f.Add(1_000_000_000, 1_000_000_000, 1_000_000_000, 1_000_000_000, 0.5)
	f.Add(0, 10_000_000, 10_000, 10_000, 0.95)
	f.Fuzz(func(t *testing.T, x1, n1, x2, n2 int, conf float64) {
		got, err := NewcombeDifference(x1, n1, x2, n2, conf)
		if orRefused(t, err) && !(-1 <= got.Lower && got.Lower <= got.Upper && got.Upper <= 1) {
			t.Errorf("difference of %d/%d and %d/%d: %+v", x1, n1, x2, n2, got)
		}
		got, err = KoopmanRatio(x1, n1, x2, n2, conf)
		if orRefused(t, err) {
			allFinite(t, "ratio", got.Lower, got.Upper)
			if !(0 <= got.Lower && got.Lower <= got.Upper) {
				t.Errorf("ratio of %d/%d and %d/%d: %+v", x1, n1, x2, n2, got)
			}
		}
		// Keep the walk of the exact test short.
		if n1 > 100_000 || n2 > 100_000 {
			return
		}
		p, err := FisherExact(x1, n1, x2, n2)
		if orRefused(t, err) && !(p >= 0 && p <= 1) {
			t.Errorf("Fisher of %d/%d and %d/%d: %g", x1, n1, x2, n2, p)
		}
		if c, err := CompareRates(x1, n1, x2, n2); orRefused(t, err) {
			allFinite(t, "comparison", c.Difference, c.FisherP)
		}
	})
}
