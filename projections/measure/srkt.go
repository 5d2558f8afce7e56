package measure

import (
	"math"
	"strconv"
)

// LensEye is an eye with its implant: axial length in millimetres, the mean
// power of the cornea in dioptres (index 1.3375), the implant's power, and the
// spherical equivalent that was achieved, in dioptres at the spectacle plane.
type LensEye struct {
	AxialLength float64 `json:"axial_length_mm"`
	K           float64 `json:"mean_k_d"`
	Power       float64 `json:"power_d"`
	Achieved    float64 `json:"achieved_d"`
}

// The A-constants that the formula is used with here.
const (
	leastA = 110
	mostA  = 125
)

// leastBehind is how far, in millimetres, the implant stands before the retina at
// least: nearer, the formula has no meaning.
const (
	leastBehind         = 5
	implantBeforeRetina = "one in which the implant stands 5 mm or more before the retina, with this cornea and constant"
)

// The optics of SRK/T: refractive indices (the cornea's less 1), the distance of
// the spectacles from the cornea in millimetres, and the keratometer's factor.
const (
	aqueousIndex      = 1.336
	corneaIndexLess1  = 0.333
	vertexSRKT        = 12.0
	keratometerFactor = 337.5
)

// SRKTPower is the implant power in dioptres that leaves the wanted refraction,
// in dioptres at the spectacle plane, in an eye of the given axial length (mm)
// and mean corneal power (D), for a lens of the given A-constant. It fails
// outside 14 to 40 mm, 25 to 75 D, constants of 110 to 125, and refractions
// beyond 20 D.
//
// Source: Retzlaff JA, Sanders DR, Kraff MC. J Cataract Refract Surg
// 1990;16:333-340, erratum 16:528 (from memory). The regressions were read in a
// biometer's manual, which rounds the corneal width's -5.40948 to -5.41; the
// vergence part is from memory. A copy in use elsewhere has 1.715 for 1.716 in
// the corrected axial length.
func SRKTPower(axialLength, k, aConstant, refraction float64) (float64, error) {
	if err := checkBiometry("", axialLength, k); err != nil {
		return 0, err
	}
	if err := checkA("a_constant", aConstant); err != nil {
		return 0, err
	}
	if err := checkWantedRefraction("refraction_d", refraction); err != nil {
		return 0, err
	}
	e := newSRKTEye(axialLength, k)
	depth := e.depth(aConstant)
	if !(e.optical-depth >= leastBehind) {
		return 0, outside("axial_length_mm", axialLength, implantBeforeRetina)
	}
	image := e.cornea(e.optical) - float64(0.001*refraction)*e.spectacle(e.optical)
	object := e.cornea(depth) - float64(0.001*refraction)*e.spectacle(depth)
	power := float64(1000*aqueousIndex*image) / float64((e.optical-depth)*object)
	if !(math.Abs(power) <= maxPower) {
		return 0, outside("axial_length_mm", axialLength, "one that with this cornea wants an implant within 100 D")
	}
	return power, nil
}

// SRKTRefraction is the refraction in dioptres at the spectacle plane that the
// formula predicts for an implant of the given power. Errors are as for
// SRKTPower; powers go to 60 D either way.
//
// Source: see SRKTPower.
func SRKTRefraction(axialLength, k, aConstant, power float64) (float64, error) {
	if err := checkBiometry("", axialLength, k); err != nil {
		return 0, err
	}
	if err := checkA("a_constant", aConstant); err != nil {
		return 0, err
	}
	if !(math.Abs(power) <= 60) {
		return 0, outside("power_d", power, "-60 to 60")
	}
	return newSRKTEye(axialLength, k).refraction(aConstant, power)
}

// srktEye is an eye as the formula sees it, in millimetres.
type srktEye struct {
	axialLength float64
	radius      float64 // of the cornea
	dome        float64 // height of the cornea over the plane of the iris
	optical     float64 // axial length with the retina's thickness added
}

func newSRKTEye(axialLength, k float64) srktEye {
	corrected := axialLength
	if axialLength > 24.2 {
		corrected = -3.446 + float64(1.716*axialLength) - float64(float64(0.0237*axialLength)*axialLength)
	}
	width := -5.40948 + float64(0.58412*corrected) + float64(0.098*k)
	e := srktEye{axialLength: axialLength, radius: keratometerFactor / k, optical: axialLength + 0.65696 - float64(0.02029*axialLength)}
	// A cornea wider than its own sphere: the dome is a half sphere.
	e.dome = e.radius - math.Sqrt(math.Max(0, float64(e.radius*e.radius)-float64(width*width)/4))
	return e
}

// depth is where the implant is expected behind the cornea.
func (e srktEye) depth(aConstant float64) float64 {
	return e.dome + float64(0.62467*aConstant) - 68.747 - 3.336
}

// cornea and spectacle are the parts of a vergence at a distance behind the
// cornea without and with a spectacle lens before it.
func (e srktEye) cornea(distance float64) float64 {
	return float64(aqueousIndex*e.radius) - float64(corneaIndexLess1*distance)
}

func (e srktEye) spectacle(distance float64) float64 {
	return float64(vertexSRKT*e.cornea(distance)) + float64(distance*e.radius)
}

func (e srktEye) refraction(aConstant, power float64) (float64, error) {
	depth := e.depth(aConstant)
	behind := e.optical - depth
	if !(behind >= leastBehind) {
		return 0, outside("axial_length_mm", e.axialLength, implantBeforeRetina)
	}
	above := float64(1000*aqueousIndex*e.cornea(e.optical)) - float64(float64(power*behind)*e.cornea(depth))
	below := float64(aqueousIndex*e.spectacle(e.optical)) - float64(float64(float64(0.001*power)*behind)*e.spectacle(depth))
	refraction := above / below
	if !(math.Abs(refraction) <= maxPower) {
		return 0, outside("power_d", power, "one that leaves this eye a refraction within 100 D")
	}
	return refraction, nil
}

func checkBiometry(of string, axialLength, k float64) error {
	if !(axialLength >= 14 && axialLength <= 40) {
		return outside(of+"axial_length_mm", axialLength, "14 to 40")
	}
	if !(k >= 25 && k <= 75) {
		return outside(of+"mean_k_d", k, "25 to 75")
	}
	return nil
}

func checkA(name string, a float64) error {
	if !(a >= leastA && a <= mostA) {
		return outside(name, a, "110 to 125")
	}
	return nil
}

func checkWantedRefraction(name string, d float64) error {
	if !(d >= -40 && d <= 30) {
		return outside(name, d, "-40 to 30")
	}
	return nil
}

func (e LensEye) check(i int) error {
	of := "eyes[" + strconv.Itoa(i) + "]."
	if err := checkBiometry(of, e.AxialLength, e.K); err != nil {
		return err
	}
	if !(math.Abs(e.Power) <= 60) {
		return outside(of+"power_d", e.Power, "-60 to 60")
	}
	return checkWantedRefraction(of+"achieved_d", e.Achieved)
}
