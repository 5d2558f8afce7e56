package measure

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
)

func TestQuantilesEqualReference(t *testing.T) {
	tested := 0
	for _, r := range readRows(t, "step_quantiles") {
		var values []float64
		for _, text := range strings.Split(r.text("values"), "|") {
			x, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			values = append(values, x)
		}
		for rule, column := range map[int]string{6: "type6", 7: "type7", 8: "type8"} {
			r.absolute(column, must[float64](t)(Quantile(values, r.number("prob"), rule)), 1e-12)
			tested++
		}
	}
	if tested != 3*99 {
		t.Errorf("tested %d quantiles, want 297", tested)
	}
}

// learningCurve is 150 made-up durations in order.
func learningCurve(t *testing.T) (values []CaseValue, rows []row) {
	t.Helper()
	rows = readRows(t, "learning_curve_data")
	for _, r := range rows {
		values = append(values, CaseValue{r.whole("case"), r.number("minutes")})
	}
	return values, rows
}

func TestPercentilesEqualReference(t *testing.T) {
	values, _ := learningCurve(t)
	slices.Reverse(values) // the order does not matter
	shares := []float64{.05, .1, .25, .5, .75, .9, .95}
	bands := must[[]BandPercentiles](t)(PercentilesByBand(values, must[[]int](t)(EvenEdges(25, 6)), shares...))
	for _, r := range readRows(t, "learning_curve_percentiles") {
		band := bands[r.whole("bin")-1]
		if band.First != r.whole("first_case") || *band.Last != r.whole("last_case") || band.N != 25 {
			t.Errorf("%s: %+v", r.where, band)
		}
		r.absolute("quantile_type7", band.Percentiles[slices.Index(shares, r.number("prob"))], 1e-12)
		r.absolute("mean", *band.Mean, 1e-10)
		r.absolute("sd", *band.SD, 1e-10)
	}
	if last := bands[6]; last.Last != nil || last.First != 151 || last.N != 0 || last.Mean != nil || len(last.Percentiles) != 0 {
		t.Errorf("the open band: %+v", last)
	}
}

func TestFitsEqualReference(t *testing.T) {
	values, rows := learningCurve(t)
	law := must[PowerLaw](t)(NewPowerLaw(values))
	falling := must[IsotonicFit](t)(Isotonic(values, true))
	for i, r := range rows {
		fitted, _, err := law.At(r.whole("case"), .95)
		r.absolute("fit_loglog", must[float64](t)(fitted, err), 1e-10)
		r.absolute("isotonic_decreasing", falling.Points[i].Value, 1e-10)
	}
	tested := 0
	for _, r := range readRows(t, "learning_curve_fit") {
		model, name := r.text("model"), r.text("name")
		tested++
		switch model + " " + name {
		case "loglog_lm log_a":
			r.absolute("value", law.LogA, 1e-10)
			r.absolute("se", law.LogASE, 1e-10)
		case "loglog_lm slope":
			r.absolute("value", law.Slope, 1e-10)
			r.absolute("se", law.SlopeSE, 1e-10)
		case "loglog_lm sigma":
			r.absolute("value", law.Sigma, 1e-10)
		case "loglog_lm r_squared":
			r.absolute("value", *law.RSquared, 1e-10)
		case "loglog_lm slope_lower95":
			r.absolute("value", law.Lower, 1e-10)
		case "loglog_lm slope_upper95":
			r.absolute("value", law.Upper, 1e-10)
		case "loglog_lm learning_rate_2^slope":
			r.absolute("value", must[float64](t)(law.LearningRate()), 1e-10)
		case "loglog_lm duan_smearing_factor":
			r.absolute("value", law.Smearing, 1e-10)
		case "loglog_lm a":
			at1, _, err := law.At(1, .95)
			r.absolute("value", must[float64](t)(at1, err), 1e-10)
		case "isotonic_decreasing fit":
			r.absolute("value", falling.Points[r.whole("x")-1].Value, 1e-10)
		case "loglog_lm fit", "loglog_lm_lower95 fit", "loglog_lm_upper95 fit":
			fitted, interval, err := law.At(r.whole("x"), .95)
			if err != nil {
				t.Fatal(err)
			}
			got := map[string]float64{"loglog_lm": fitted, "loglog_lm_lower95": interval.Lower, "loglog_lm_upper95": interval.Upper}
			r.absolute("value", got[model], 1e-10)
		default:
			tested--
		}
	}
	if tested != 49 {
		t.Errorf("tested %d rows of learning_curve_fit.csv, want 49", tested)
	}
}

// Ruptures by semester, 13 of 102, 51 of 301, 31 of 327 (PMC7778434), are not
// monotone, and a surgeon may become slower: no curve is forced to fall.
func TestNothingIsForcedToFall(t *testing.T) {
	var events []CaseEvent
	for i, semester := range []struct{ events, n int }{{13, 102}, {51, 301}, {31, 327}} {
		for k := range semester.n {
			events = append(events, CaseEvent{i + 1, k < semester.events})
		}
	}
	rates := must[[]BandRate](t)(RateByBand(events, []int{1, 2, 3}))
	for i, want := range []float64{.127, .169, .095} {
		near(t, "semester", rates[i].Rate.Rate, want, .0005)
	}
	var slower []CaseValue
	for i := range 40 {
		slower = append(slower, CaseValue{i + 1, 10 + float64(i%3) + float64(i)/5})
	}
	if fit := must[IsotonicFit](t)(Monotone(slower)); fit.Falling || fit.Points[0].Value >= fit.Points[39].Value {
		t.Errorf("rising values: %+v", fit)
	}
	law := must[PowerLaw](t)(NewPowerLaw(slower))
	if law.Slope <= 0 || law.Lower <= 0 {
		t.Errorf("rising values: slope %g from %g", law.Slope, law.Lower)
	}
}

// Pooling adjacent violators worked by hand: 3 2 becomes 2.5 2.5 when rising,
// and values at one case number weigh as many as they are.
func TestIsotonicByHand(t *testing.T) {
	for _, c := range []struct {
		values  []CaseValue
		falling bool
		want    []CaseValue
		rss     float64
	}{
		{[]CaseValue{{1, 1}, {2, 3}, {3, 2}, {4, 4}}, false, []CaseValue{{1, 1}, {2, 2.5}, {3, 2.5}, {4, 4}}, .5},
		{[]CaseValue{{4, 1}, {1, 4}, {2, 2}, {3, 3}}, true, []CaseValue{{1, 4}, {2, 2.5}, {3, 2.5}, {4, 1}}, .5},
		{[]CaseValue{{1, 1}, {1, 3}, {7, 1}, {9, 5}}, false, []CaseValue{{1, 5.0 / 3}, {7, 5.0 / 3}, {9, 5}}, 24.0 / 9},
		{[]CaseValue{{5, -2}}, true, []CaseValue{{5, -2}}, 0},
	} {
		got := must[IsotonicFit](t)(Isotonic(c.values, c.falling))
		if len(got.Points) != len(c.want) {
			t.Fatalf("%v: %+v", c.values, got)
		}
		for i, want := range c.want {
			near(t, "fit", got.Points[i].Value, want.Value, 1e-12)
			if got.Points[i].Case != want.Case {
				t.Errorf("%v: %+v, want %+v", c.values, got.Points, c.want)
			}
		}
		near(t, "rss", got.RSS, c.rss, 1e-12)
	}
}

// 82 ruptures in 4,303 operations: Grinton M et al. Eye 2021;35:1213-1220, 3.1 %
// in cases 0 to 100, 0.6 % in 301 to 400, 0.4 % over 500. The bands'
// denominators are made up to give the published shares.
func TestRatesByBandArePublished(t *testing.T) {
	var cases []CaseEvent
	for _, r := range readPublished(t, "trainee_case_bands") {
		ruptures := " " + r.text("ruptures_at") + " "
		for n := r.whole("prior_whole_cases") + 1; n <= r.whole("last_case"); n++ {
			cases = append(cases, CaseEvent{n, strings.Contains(ruptures, " "+strconv.Itoa(n)+" ")})
		}
	}
	bands := must[[]BandRate](t)(RateByBand(cases, must[[]int](t)(EvenEdges(100, 5))))
	events, n := 0, 0
	for _, b := range bands {
		events, n = events+b.Rate.Events, n+b.Rate.N
	}
	if events != 82 || n != 4303 {
		t.Errorf("%d of %d, want 82 of 4303", events, n)
	}
	for i, want := range map[int]float64{0: .031, 3: .006, 5: .004} {
		near(t, "band "+strconv.Itoa(i), bands[i].Rate.Rate, want, .0005)
	}
	if bands[5].First != 501 || bands[5].Last != nil {
		t.Errorf("the open band: %+v", bands[5])
	}
}

func TestEdgesOfBands(t *testing.T) {
	got := must[[]BandRate](t)(RateByBand([]CaseEvent{{100, true}, {101, false}, {400, true}}, []int{100, 200, 300}))
	for i, want := range []struct{ first, last, events, n int }{{1, 100, 1, 1}, {101, 200, 0, 1}, {201, 300, 0, 0}, {301, 0, 1, 1}} {
		b := got[i]
		if b.First != want.first || (b.Last == nil) != (want.last == 0) || (b.Last != nil && *b.Last != want.last) {
			t.Errorf("band %d: %+v", i, b)
		}
		if (b.Rate == nil) != (want.n == 0) || (b.Rate != nil && (b.Rate.Events != want.events || b.Rate.N != want.n)) {
			t.Errorf("band %d: %+v, want %+v", i, b.Rate, want)
		}
	}
}

func TestCurvesRefuse(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		values []float64
		p      float64
		rule   int
		want   string
	}{
		{[]float64{1}, -.1, 7, "p"}, {[]float64{1}, 1.1, 7, "p"}, {[]float64{1}, nan, 7, "p"}, {[]float64{1}, .5, 5, "rule"},
		{[]float64{1}, .5, 9, "rule"}, {[]float64{1, nan}, .5, 7, "values[1]"}, {[]float64{inf}, .5, 6, "values[0]"},
	} {
		_, err := Quantile(c.values, c.p, c.rule)
		refused(t, "quantile", err, c.want)
	}
	for _, edges := range [][]int{{0}, {-1}, {10, 10}, {10, 5}, {2_000_000_000}} {
		_, err := RateByBand(nil, edges)
		refused(t, "edges", err, "edges["+strconv.Itoa(len(edges)-1)+"]")
		_, err = PercentilesByBand(nil, edges)
		refused(t, "edges", err, "edges["+strconv.Itoa(len(edges)-1)+"]")
	}
	_, err := EvenEdges(0, 5)
	refused(t, "width", err, "width")
	_, err = EvenEdges(100, 0)
	refused(t, "n", err, "n")
	_, err = RateByBand([]CaseEvent{{0, true}}, []int{100})
	refused(t, "case 0", err, "cases[0].case_number")
	_, err = PercentilesByBand([]CaseValue{{1, 1}}, []int{100}, 1.5)
	refused(t, "share", err, "share")

	type curve func([]CaseValue) error
	fits := map[string]curve{
		"isotonic":    func(v []CaseValue) error { _, err := Isotonic(v, true); return err },
		"monotone":    func(v []CaseValue) error { _, err := Monotone(v); return err },
		"power curve": func(v []CaseValue) error { _, err := NewPowerCurve(v, true); return err },
		"loess":       func(v []CaseValue) error { _, err := Loess(v, 1, 1, nil); return err },
		"power law":   func(v []CaseValue) error { _, err := NewPowerLaw(v); return err },
		"percentiles": func(v []CaseValue) error { _, err := PercentilesByBand(v, []int{100}, .5); return err },
	}
	for name, fit := range fits {
		if err := fit(nil); name != "percentiles" && !errors.Is(err, ErrNoCases) {
			t.Errorf("%s of nothing: %v", name, err)
		}
		for _, bad := range []float64{nan, inf, -inf, 2e9} {
			refused(t, name, fit([]CaseValue{{1, 1}, {2, bad}, {3, 1}, {4, 1}}), "values[1].value")
		}
		refused(t, name, fit([]CaseValue{{0, 1}, {2, 1}, {3, 1}, {4, 1}}), "values[0].case_number")
	}
	refused(t, "two values", fits["power law"]([]CaseValue{{1, 1}, {2, 1}}), "values")
	refused(t, "a value of 0", fits["power law"]([]CaseValue{{1, 0}, {2, 1}, {3, 1}}), "values[0].value")
	refused(t, "one case number", fits["power law"]([]CaseValue{{2, 1}, {2, 3}, {2, 4}}), "variance of case numbers")
	law := must[PowerLaw](t)(NewPowerLaw([]CaseValue{{1, 5}, {2, 5}, {3, 5}}))
	if law.RSquared != nil || law.Slope != 0 || law.Sigma != 0 {
		t.Errorf("values that are all alike: %+v", law)
	}
	_, _, err = law.At(0, .95)
	refused(t, "at case 0", err, "at[0].case_number")
	_, _, err = law.At(1, 1)
	refused(t, "conf", err, "conf")
	_, _, err = PowerLaw{}.At(1, .95)
	refused(t, "no fit", err, "values")
}

func FuzzQuantile(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 0.5, 7)
	f.Add(-1e308, 1e308, 0.0, 0.9999999999999999, 8)
	f.Fuzz(func(t *testing.T, a, b, c, p float64, rule int) {
		list := []float64{a, b, c}
		got, err := Quantile(list, p, rule)
		if orRefused(t, err) && !(got >= slices.Min(list) && got <= slices.Max(list)) {
			t.Errorf("%g of %v by rule %d: %g", p, list, rule, got)
		}
	})
}

func FuzzCurves(f *testing.F) {
	f.Add(1, 2, 3, 30.0, 20.0, 10.0, 0.95, 100)
	f.Add(1, 1, 1_000_000_000, 1e-9, 1e9, 1e9, 0.999999999, 1_000_000_000)
	f.Add(-1, 0, 5, math.NaN(), 0.0, math.Inf(1), 0.0, 0)
	f.Fuzz(func(t *testing.T, n1, n2, n3 int, a, b, c, conf float64, at int) {
		values := []CaseValue{{n1, a}, {n2, b}, {n3, c}, {n1, c}}
		if fit, err := Monotone(values); orRefused(t, err) {
			allFinite(t, "isotonic", fit.RSS)
			for i := 1; i < len(fit.Points); i++ {
				last, now := fit.Points[i-1], fit.Points[i]
				if now.Case <= last.Case || (fit.Falling && now.Value > last.Value) || (!fit.Falling && now.Value < last.Value) {
					t.Errorf("%v: %+v", values, fit)
				}
			}
		}
		if law, err := NewPowerLaw(values); orRefused(t, err) {
			allFinite(t, "power law", law.LogA, law.LogASE, law.Slope, law.SlopeSE, law.Lower, law.Upper, law.Sigma)
			if fitted, interval, err := law.At(at, conf); orRefused(t, err) {
				allFinite(t, "power law at", fitted, interval.Lower, interval.Upper)
				if !(interval.Lower <= fitted && fitted <= interval.Upper) {
					t.Errorf("%v at %d: %g in %+v", values, at, fitted, interval)
				}
			}
		}
		edges, err := EvenEdges(at, n1%20)
		if !orRefused(t, err) {
			edges = []int{n2, n3}
		}
		if bands, err := PercentilesByBand(values, edges, conf); orRefused(t, err) {
			n := 0
			for _, band := range bands {
				n += band.N
				allFinite(t, "percentiles", band.Percentiles...)
			}
			if n != len(values) {
				t.Errorf("%d of %d values in %+v", n, len(values), bands)
			}
		}
		if bands, err := RateByBand([]CaseEvent{{n1, true}, {n2, false}, {at, true}}, edges); orRefused(t, err) {
			n := 0
			for _, band := range bands {
				if band.Rate != nil {
					n += band.Rate.N
				}
			}
			if n != 3 {
				t.Errorf("%d of 3 cases in %+v", n, bands)
			}
		}
	})
}
