package measure

import (
	"errors"
	"math"
	"testing"
)

// Achieved minus predicted, negative is more myopic: Hoffer KJ et al. Am J
// Ophthalmol 2015;160:403-405 (citation from memory).
func TestPredictionErrorHasItsSign(t *testing.T) {
	if got := must[float64](t)(PredictionError(-0.75, -0.25)); got != -0.5 {
		t.Errorf("-0.75 where -0.25 was predicted: %g, want -0.5", got)
	}
	if got := must[float64](t)(PredictionError(0.5, -0.25)); got != 0.75 {
		t.Errorf("0.50 where -0.25 was predicted: %g, want 0.75", got)
	}
}

// Brogan K, Diaper CJM, Rotchford AP. Br J Ophthalmol 2019;103:539: 8,943 eyes,
// 5,577 (62.36 %) within 0.50 D and 7,938 (88.76 %) within 1.00 D, SD 0.67. A
// normal curve of that SD would give 54.2 and 86.2 %. Where in its band each
// error lies is made up.
func TestWithinIsCounted(t *testing.T) {
	var errors []float64
	add := func(n int, d float64) {
		for i := range n {
			errors = append(errors, d*float64(1-2*(i%2)))
		}
	}
	add(5577, 0.25)
	add(7938-5577, 0.75)
	add(8943-7938, 1.75)
	got := must[PredictionResult](t)(NewPredictionResult(errors))
	for i, want := range []struct {
		edge, percent float64
		events        int
	}{{.25, 62.36, 5577}, {.5, 62.36, 5577}, {1, 88.76, 7938}, {2, 100, 8943}} {
		w := got.Within[i]
		if w.Dioptres != want.edge || w.Rate.Events != want.events || w.Rate.N != 8943 {
			t.Errorf("%+v, want %+v", w, want)
		}
		near(t, "percent", 100*w.Rate.Rate, want.percent, 0.005)
	}
	if got.N != 8943 || got.MedianAbsolute != .25 {
		t.Errorf("%+v", got)
	}

	// Lundstrom M et al. J Cataract Refract Surg 2018;44:447-452: 205,675 and
	// 263,015 of 282,811 are 72.7 and 93.0 %.
	near(t, "within 0.50", must[Rate](t)(NewRate(205675, 282811)).Rate, .727, .0005)
	near(t, "within 1.00", must[Rate](t)(NewRate(263015, 282811)).Rate, .930, .0005)
}

// The edge belongs inside, whatever arithmetic makes of it: 0.87 - 0.37 and 0.57
// - 0.07 are not the same number.
func TestEdgesAreWithin(t *testing.T) {
	var errors []float64
	for hundredths := range 400 {
		predicted := float64(hundredths-200) / 100
		for _, edge := range []float64{.25, .5, 1, 2} {
			errors = append(errors[:0], must[float64](t)(PredictionError(float64(hundredths-200)/100+edge, predicted)),
				must[float64](t)(PredictionError(float64(hundredths-200)/100-edge, predicted)), edge+.01, -edge-.01)
			for _, w := range must[PredictionResult](t)(NewPredictionResult(errors)).Within {
				if w.Dioptres == edge && w.Rate.Events != 2 {
					t.Errorf("predicted %g, edge %g: %d within, want 2", predicted, edge, w.Rate.Events)
				}
			}
		}
	}
}

// Worked by hand. The median of an even number is the mean of the middle two.
func TestPredictionResultByHand(t *testing.T) {
	for _, list := range [][]float64{{-.5, .25, 0, 1}, {1, 0, .25, -.5}} {
		got := must[PredictionResult](t)(NewPredictionResult(list))
		near(t, "mean", got.Mean, 0.1875, 1e-15)
		// Squares about 0.1875: 0.47265625 + 0.00390625 + 0.03515625 + 0.66015625 = 1.171875.
		near(t, "SD", *got.SD, math.Sqrt(1.171875/3), 1e-15)
		near(t, "mean absolute", got.MeanAbsolute, 0.4375, 1e-15)
		near(t, "median absolute", got.MedianAbsolute, 0.375, 1e-15)
	}
	one := must[PredictionResult](t)(NewPredictionResult([]float64{-.25}))
	if one.SD != nil || one.MedianAbsolute != .25 || one.Mean != -.25 {
		t.Errorf("a single eye: %+v", one)
	}
}

func TestPredictionRefuses(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 101, -101} {
		_, err := PredictionError(bad, 0)
		refused(t, "achieved", err, "achieved_d")
		_, err = PredictionError(0, bad)
		refused(t, "predicted", err, "predicted_d")
		_, err = NewPredictionResult([]float64{0, 2 * bad})
		refused(t, "errors", err, "errors[1]")
	}
	if _, err := NewPredictionResult(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("no eyes: %v", err)
	}
}

func FuzzPrediction(f *testing.F) {
	f.Add(-0.5, 0.25, 1.0)
	f.Add(math.NaN(), math.Inf(1), 1e308)
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		list := []float64{c}
		if e, err := PredictionError(a, b); orRefused(t, err) {
			allFinite(t, "error", e)
			list = append(list, e)
		}
		r, err := NewPredictionResult(list)
		if !orRefused(t, err) {
			return
		}
		allFinite(t, "result", r.Mean, r.MeanAbsolute, r.MedianAbsolute)
		if math.Abs(r.Mean) > r.MeanAbsolute+1e-9 || (r.SD != nil && !(*r.SD >= 0)) {
			t.Errorf("%v: %+v", list, r)
		}
		last := 0
		for _, w := range r.Within {
			if w.Rate.Events < last {
				t.Errorf("%v: fewer within a wider bound: %+v", list, r.Within)
			}
			last = w.Rate.Events
		}
	})
}
