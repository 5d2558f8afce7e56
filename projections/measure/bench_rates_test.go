package measure

import (
	"math"
	"testing"
)

// BenchmarkFunnel3000 is a funnel of 3,000 surgeons: limits at both levels,
// position, spread between units and the number outside by chance.
func BenchmarkFunnel3000(b *testing.B) {
	units := make([]Unit, 3000)
	for i := range units {
		n := 50 + i%1000
		units[i] = Unit{Code: "s", N: n, Events: n * (i % 7) / 200}
	}
	for b.Loop() {
		if _, err := NewFunnel(FunnelRequest{Target: .0101, MinimumCases: FunnelMinimum, Units: units}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkRecalibrate refits a model to 10,000 operations.
func BenchmarkRecalibrate(b *testing.B) {
	predictors, events := make([]float64, 10_000), make([]bool, 10_000)
	for i := range predictors {
		predictors[i], events[i] = float64(i%37)/10, i%37 > 20 && i%11 == 0 || i%97 == 0
	}
	request := RecalibrationRequest{Name: "harbour", Version: "1", Population: "harbour", MinimumEvents: RecalibrationEvents}
	for b.Loop() {
		if _, err := Recalibrate(CapsuleRupture2009(), predictors, events, request); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCurves fits the curves of one surgeon's 1,000 durations.
func BenchmarkCurves(b *testing.B) {
	values := make([]CaseValue, 1000)
	for i := range values {
		n := float64(i + 1)
		values[i] = CaseValue{i + 1, 12 + 38*math.Pow(n, -.55) + math.Sin(7*n)}
	}
	for name, fit := range map[string]func() error{
		"isotonic":    func() error { _, err := Monotone(values); return err },
		"power law":   func() error { _, err := NewPowerLaw(values); return err },
		"power curve": func() error { _, err := NewPowerCurve(values, true); return err },
		"loess":       func() error { _, err := Loess(values, .5, 1, []int{1, 500, 1000}); return err },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if err := fit(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkAConstant finds the constant for 500 eyes.
func BenchmarkAConstant(b *testing.B) {
	eyes := make([]LensEye, 500)
	for i := range eyes {
		eyes[i] = LensEye{22 + float64(i%40)/10, 42 + float64(i%30)/10, 21, float64(i%9-4) / 4}
	}
	for b.Loop() {
		if _, err := NewAConstant(eyes, 118.4, .95); err != nil {
			b.Fatal(err)
		}
	}
}
