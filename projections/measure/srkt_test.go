package measure

import (
	"math"
	"testing"
)

// Emmetropia power by SRK/T, computed in R from the formula of Retzlaff JA,
// Sanders DR, Kraff MC. J Cataract Refract Surg 1990;16:333-340; no published
// numeric example was found. The eye of 26 mm is the one that a corrected axial
// length with 1.715 for 1.716 gets wrong.
func TestSRKTEqualsComputed(t *testing.T) {
	for _, r := range readPublished(t, "srkt_emmetropia") {
		length, k, a := r.number("axial_length_mm"), r.number("mean_k_d"), r.number("a_constant")
		power := must[float64](t)(SRKTPower(length, k, a, 0))
		r.absolute("power_d", power, 0.5e-4+1e-9)
		near(t, r.where+" back", must[float64](t)(SRKTRefraction(length, k, a, power)), 0, 1e-10)
	}
}

// Power and refraction are each other's inverse; an implant a dioptre stronger
// makes the eye more myopic, by less than a dioptre because it stands behind the
// cornea; a longer eye and a steeper cornea want less power, and a larger constant
// wants more. Beyond 45 D in a long eye the formula has a known cusp, where the
// cornea would be wider than its own sphere.
func TestSRKTProperties(t *testing.T) {
	for length := 20.0; length <= 30; length += .5 {
		for k := 40.0; k <= 45; k++ {
			for _, wanted := range []float64{-3, -.5, 0, 1} {
				power := must[float64](t)(SRKTPower(length, k, 118.4, wanted))
				if math.Abs(power) > 58 {
					continue
				}
				near(t, "back", must[float64](t)(SRKTRefraction(length, k, 118.4, power)), wanted, 1e-9)
				stronger := must[float64](t)(SRKTRefraction(length, k, 118.4, power+1))
				if off := wanted - stronger; off < .4 || off > .95 {
					t.Errorf("%g mm, %g D: one dioptre more moves the refraction by %g", length, k, off)
				}
				if power > 1 {
					longer := must[float64](t)(SRKTPower(length+.2, k, 118.4, wanted))
					steeper := must[float64](t)(SRKTPower(length, k+.5, 118.4, wanted))
					larger := must[float64](t)(SRKTPower(length, k, 118.9, wanted))
					if longer >= power || steeper >= power || larger <= power {
						t.Errorf("%g mm, %g D, %g: %g; longer %g, steeper %g, larger constant %g", length, k, wanted, power, longer, steeper, larger)
					}
				}
			}
		}
	}
}

func TestSRKTRefuses(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		length, k, a, last float64
		want               string
	}{
		{13.9, 43, 118, 0, "axial_length_mm"}, {40.1, 43, 118, 0, "axial_length_mm"}, {nan, 43, 118, 0, "axial_length_mm"},
		{23, 24.9, 118, 0, "mean_k_d"}, {23, 75.1, 118, 0, "mean_k_d"}, {23, nan, 118, 0, "mean_k_d"},
		{23, 43, 109.9, 0, "a_constant"}, {23, 43, 125.1, 0, "a_constant"}, {23, 43, nan, 0, "a_constant"},
		{14, 75, 125, 0, "axial_length_mm"}, // the implant would stand 4 mm before the retina
	} {
		_, err := SRKTPower(c.length, c.k, c.a, c.last)
		refused(t, "power", err, c.want)
		_, err = SRKTRefraction(c.length, c.k, c.a, c.last)
		refused(t, "refraction", err, c.want)
	}
	for _, bad := range []float64{nan, math.Inf(1), 61, -61} {
		_, err := SRKTPower(23, 43, 118, bad)
		refused(t, "power", err, "refraction_d")
		_, err = SRKTRefraction(23, 43, 118, bad)
		refused(t, "refraction", err, "power_d")
	}
}

// The same prediction step by step, by vergence: spectacles 12 mm before the
// cornea, a cornea of 333 over its radius, the implant at the formula's depth, and
// focus on the formula's retina.
func TestSRKTIsVergence(t *testing.T) {
	for _, c := range []struct{ length, k, a, refraction float64 }{
		{23.5, 43.5, 118.4, -2}, {21, 46, 118.9, 1.5}, {27, 42, 119.2, -6}, {24.21, 43, 118, .25},
	} {
		eye := newSRKTEye(c.length, c.k)
		depth := eye.depth(c.a)
		atCornea := c.refraction/(1-.012*c.refraction) + 333/(337.5/c.k)
		atImplant := atCornea / (1 - depth/1336*atCornea)
		want := 1336/(eye.optical-depth) - atImplant
		power := must[float64](t)(SRKTPower(c.length, c.k, c.a, c.refraction))
		near(t, "power by vergence", power, want, 1e-9)
		near(t, "and back", must[float64](t)(SRKTRefraction(c.length, c.k, c.a, power)), c.refraction, 1e-9)
	}
}
