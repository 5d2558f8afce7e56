package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Worked by hand: mean 0.1, squares 0.09 + 0.01 + 0.04 + 0 = 0.14 over 3, and
// Student's t on 3 degrees of freedom, 3.182446 (tables).
func TestLensConstantByHand(t *testing.T) {
	for _, list := range [][]float64{{.4, 0, -.1, .1}, {.1, -.1, 0, .4}} {
		got := must[LensConstant](t)(NewLensConstant(list, .95))
		near(t, "mean", got.Mean, .1, 1e-15)
		near(t, "shift", got.Shift, -.1, 1e-15)
		near(t, "SD", got.SD, math.Sqrt(.14/3), 1e-15)
		half := 3.182446305284 * math.Sqrt(.14/3) / 2
		near(t, "lower", got.Interval.Lower, .1-half, 1e-9)
		near(t, "upper", got.Interval.Upper, .1+half, 1e-9)
		if got.N != 4 || list[1] != 0 && list[3] != .4 {
			t.Errorf("%+v", got)
		}
	}
}

// After the shift the mean error is 0: Hoffer KJ et al. Am J Ophthalmol
// 2015;160:403-405 (citation from memory).
func TestShiftZeroesTheMean(t *testing.T) {
	list := []float64{-.5, .25, .75, 1.5, -.12}
	got := must[LensConstant](t)(NewLensConstant(list, .95))
	for i := range list {
		list[i] += got.Shift
	}
	near(t, "mean after the shift", must[LensConstant](t)(NewLensConstant(list, .95)).Mean, 0, 1e-15)
}

// madeUpEyes have implants chosen by one constant, for a lens that behaves as one
// with another.
func madeUpEyes(t *testing.T, n int, chosen, true float64, noise float64) []LensEye {
	t.Helper()
	random := rand.New(rand.NewPCG(9, 9)) // seed 9, 9
	eyes := make([]LensEye, n)
	for i := range eyes {
		length, k := 23.5+1.2*random.NormFloat64(), 43.5+1.4*random.NormFloat64()
		power := math.Round(2*must[float64](t)(SRKTPower(length, k, chosen, -.2))) / 2
		achieved := must[float64](t)(SRKTRefraction(length, k, true, power)) + noise*random.NormFloat64()
		eyes[i] = LensEye{length, k, power, achieved}
	}
	return eyes
}

func TestAConstantIsFound(t *testing.T) {
	eyes := madeUpEyes(t, 200, 118.4, 119, .4)
	got := must[AConstant](t)(NewAConstant(eyes, 118.4, .95))
	if !(got.Interval.Lower < 119 && 119 < got.Interval.Upper) || math.Abs(got.Zeroing-119) > .2 {
		t.Errorf("%+v, want about 119", got)
	}
	near(t, "shift", got.Shift, got.Zeroing-118.4, 1e-12)
	// The larger constant predicts more, so that errors with the smaller are positive.
	if got.Errors.Mean <= 0 || got.PerUnit < .5 || got.PerUnit > 1.2 {
		t.Errorf("%+v", got)
	}
	near(t, "the shift by the slope", got.Shift*got.PerUnit, got.Errors.Mean, .01)

	// With the constant found, the mean error is 0, and the order does not matter.
	slices.Reverse(eyes)
	again := must[AConstant](t)(NewAConstant(eyes, got.Zeroing, .95))
	near(t, "mean error", again.Errors.Mean, 0, 1e-12)
	near(t, "no shift", again.Shift, 0, 1e-12)
	near(t, "mean error by hand", func() (mean float64) {
		for _, e := range eyes {
			mean += (e.Achieved - must[float64](t)(SRKTRefraction(e.AxialLength, e.K, got.Zeroing, e.Power))) / 200
		}
		return mean
	}(), 0, 1e-12)
}

func TestLensConstantRefuses(t *testing.T) {
	for _, conf := range []float64{0, 1, math.NaN()} {
		_, err := NewLensConstant([]float64{0, 1}, conf)
		refused(t, "conf", err, "conf")
		_, err = NewAConstant(nil, 118, conf)
		refused(t, "conf", err, "conf")
	}
	if _, err := NewLensConstant(nil, .95); !errors.Is(err, ErrNoCases) {
		t.Errorf("no eyes: %v", err)
	}
	_, err := NewLensConstant([]float64{.5}, .95)
	refused(t, "a single eye", err, "errors")
	_, err = NewLensConstant([]float64{.5, .5, .5}, .95)
	refused(t, "all alike", err, "variance of errors")
	for _, bad := range []float64{math.NaN(), math.Inf(-1), 201} {
		_, err = NewLensConstant([]float64{.5, bad}, .95)
		refused(t, "an error", err, "errors[1]")
	}

	good := LensEye{23.5, 43.5, 20.5, 0}
	for want, bad := range map[string]LensEye{
		"eyes[1].axial_length_mm": {13, 43, 20, 0}, "eyes[1].mean_k_d": {23, 90, 20, 0},
		"eyes[1].power_d": {23, 43, 61, 0}, "eyes[1].achieved_d": {23, 43, 20, math.NaN()},
	} {
		_, err := NewAConstant([]LensEye{good, bad}, 118.4, .95)
		refused(t, want, err, want)
	}
	_, err = NewAConstant([]LensEye{good, {14, 75, 20, 0}}, 125, .95)
	refused(t, "no prediction", err, "eyes[1].axial_length_mm")
	_, err = NewAConstant([]LensEye{good, good}, 109, .95)
	refused(t, "constant", err, "constant_in_use")
	if _, err = NewAConstant(nil, 118.4, .95); !errors.Is(err, ErrNoCases) {
		t.Errorf("no eyes: %v", err)
	}
	_, err = NewAConstant([]LensEye{good}, 118.4, .95)
	refused(t, "one eye", err, "errors")
	_, err = NewAConstant([]LensEye{good, good}, 118.4, .95)
	refused(t, "all alike", err, "variance of errors")
	_, err = NewAConstant([]LensEye{{23.5, 43.5, 20.5, 20}, {23.5, 43.5, 20.5, 20.5}}, 118.4, .95)
	refused(t, "a fault that no constant mends", err, "mean error")
}
