package measure

import (
	"math"
	"testing"
)

func FuzzSRKT(f *testing.F) {
	f.Add(23.5, 43.5, 118.4, 0.0, 20.5)
	f.Add(14.0, 75.0, 125.0, 30.0, 60.0)
	f.Add(40.0, 25.0, 110.0, -40.0, -60.0)
	f.Add(math.NaN(), math.Inf(1), 0.0, math.NaN(), math.Inf(-1))
	f.Fuzz(func(t *testing.T, length, k, a, refraction, power float64) {
		if got, err := SRKTPower(length, k, a, refraction); orRefused(t, err) {
			allFinite(t, "power", got)
			// Powers that exist as implants come back.
			if math.Abs(got) <= 60 && math.Abs(refraction) <= 20 && length >= 18 && length <= 35 && k >= 35 && k <= 55 {
				if back, err := SRKTRefraction(length, k, a, got); orRefused(t, err) && math.Abs(back-refraction) > 1e-6 {
					t.Errorf("%g mm, %g D, A %g: %g D gives %g, want %g", length, k, a, got, back, refraction)
				}
			}
		}
		if got, err := SRKTRefraction(length, k, a, power); orRefused(t, err) {
			allFinite(t, "refraction", got)
		}
	})
}

func FuzzLensConstant(f *testing.F) {
	f.Add(23.5, 43.5, 20.5, 0.25, 118.4, 0.95)
	f.Add(14.0, 75.0, 60.0, 30.0, 125.0, 0.999999999)
	f.Add(40.0, 25.0, 0.0, math.NaN(), 110.0, math.NaN())
	f.Fuzz(func(t *testing.T, length, k, power, achieved, inUse, conf float64) {
		if got, err := NewLensConstant([]float64{achieved, power, length}, conf); orRefused(t, err) {
			allFinite(t, "lens constant", got.Mean, got.SD, got.Shift, got.Interval.Lower, got.Interval.Upper)
			if !(got.Interval.Lower <= got.Mean && got.Mean <= got.Interval.Upper && got.Shift == -got.Mean) {
				t.Errorf("%+v", got)
			}
		}
		eyes := []LensEye{{length, k, power, achieved}, {length + .5, k, power, achieved - .1}, {23.5, 43.5, 20.5, .1}}
		got, err := NewAConstant(eyes, inUse, conf)
		if !orRefused(t, err) {
			return
		}
		allFinite(t, "A-constant", got.Zeroing, got.Shift, got.PerUnit, got.Interval.Lower, got.Interval.Upper, got.Errors.Mean)
		if !(leastA <= got.Interval.Lower && got.Interval.Lower <= got.Zeroing && got.Zeroing <= got.Interval.Upper && got.Interval.Upper <= mostA) {
			t.Errorf("%v: %+v", eyes, got)
		}
	})
}
