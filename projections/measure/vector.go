package measure

import "math"

// noAstigmatism is the amount of astigmatism, in dioptres, below which there is
// none and so no axis: far less than is measurable, far more than rounding.
const noAstigmatism = 1e-9

// maxPower bounds every sphere, cylinder and power, in dioptres.
const maxPower = 100

// Refraction is a sphere and a cylinder in dioptres, in either notation, and
// the cylinder's axis in degrees, 0 to 180 with 180 the same as 0. The axis is
// nil without a cylinder.
type Refraction struct {
	Sphere   float64  `json:"sphere_d"`
	Cylinder float64  `json:"cylinder_d"`
	Axis     *float64 `json:"axis_deg"`
}

// PowerVector is a refraction as a vector, in dioptres: the spherical
// equivalent M and the two crossed cylinders J0 (axis 180) and J45 (axis 45).
// It is the same for both notations, and vectors can be added and averaged.
//
// Source: Thibos LN, Wheeler W, Horner D. Optom Vis Sci 1997;74:367-375.
type PowerVector struct {
	M   float64 `json:"m_d"`
	J0  float64 `json:"j0_d"`
	J45 float64 `json:"j45_d"`
}

// SphericalEquivalent is the sphere and half of the cylinder, in dioptres. It
// fails on powers beyond 100 D, on an axis outside 0 to 180, and on a cylinder
// without an axis.
func (r Refraction) SphericalEquivalent() (float64, error) {
	if err := r.check(); err != nil {
		return 0, err
	}
	return r.Sphere + r.Cylinder/2, nil
}

// Vector gives the power vector. Errors are as for SphericalEquivalent.
//
// Source: see PowerVector.
func (r Refraction) Vector() (PowerVector, error) {
	if err := r.check(); err != nil {
		return PowerVector{}, err
	}
	v := PowerVector{M: r.Sphere + r.Cylinder/2}
	if r.Axis != nil && r.Cylinder != 0 {
		cos, sin := doubleAngle(*r.Axis)
		v.J0, v.J45 = positiveZero(float64(-r.Cylinder/2*cos)), positiveZero(float64(-r.Cylinder/2*sin))
	}
	return v, nil
}

// MinusCylinder writes the refraction with a cylinder of 0 or less, its axis
// from 0 up to but not including 180. Errors are as for SphericalEquivalent.
func (r Refraction) MinusCylinder() (Refraction, error) { return r.written(-1) }

// PlusCylinder writes the refraction with a cylinder of 0 or more, as
// MinusCylinder does.
func (r Refraction) PlusCylinder() (Refraction, error) { return r.written(1) }

func (r Refraction) written(sign float64) (Refraction, error) {
	if err := r.check(); err != nil {
		return Refraction{}, err
	}
	if r.Cylinder == 0 {
		return Refraction{Sphere: r.Sphere}, nil
	}
	axis := *r.Axis
	if float64(r.Cylinder*sign) < 0 {
		r.Sphere, r.Cylinder = r.Sphere+r.Cylinder, -r.Cylinder
		axis += 90
	}
	axis = halfTurn(axis)
	r.Axis = &axis
	return r, nil
}

// Blur is the length of the vector in dioptres, the overall defocus.
func (v PowerVector) Blur() (float64, error) {
	if err := v.check(); err != nil {
		return 0, err
	}
	return math.Hypot(v.M, math.Hypot(v.J0, v.J45)), nil
}

// Refraction gives the vector back in minus-cylinder notation. Without
// astigmatism the axis is nil: it is undefined, not 0.
func (v PowerVector) Refraction() (Refraction, error) {
	if err := v.check(); err != nil {
		return Refraction{}, err
	}
	half := math.Hypot(v.J0, v.J45)
	if 2*half < noAstigmatism {
		return Refraction{Sphere: v.M}, nil
	}
	axis := axisOf(v.J0, v.J45)
	return Refraction{Sphere: v.M + half, Cylinder: -2 * half, Axis: &axis}, nil
}

func (r Refraction) check() error {
	if err := checkPower("sphere_d", r.Sphere); err != nil {
		return err
	}
	if err := checkPower("cylinder_d", r.Cylinder); err != nil {
		return err
	}
	return checkAxis(r.Axis, r.Cylinder != 0)
}

func (v PowerVector) check() error {
	for _, part := range []struct {
		name  string
		value float64
	}{{"m_d", v.M}, {"j0_d", v.J0}, {"j45_d", v.J45}} {
		if err := checkPower(part.name, part.value); err != nil {
			return err
		}
	}
	return nil
}

func checkPower(name string, d float64) error {
	if !(d >= -maxPower && d <= maxPower) {
		return outside(name, d, "-100 to 100")
	}
	return nil
}

func checkAxis(axis *float64, wanted bool) error {
	if axis == nil {
		if wanted {
			return outsideWord("axis_deg", "", "0 to 180 beside a cylinder")
		}
		return nil
	}
	if !(*axis >= 0 && *axis <= 180) {
		return outside("axis_deg", *axis, "0 to 180")
	}
	return nil
}

// doubleAngle gives cosine and sine of twice an axis in degrees, exact at the
// multiples of 45 degrees.
func doubleAngle(axis float64) (cos, sin float64) {
	switch axis {
	case 0, 180:
		return 1, 0
	case 45:
		return 0, 1
	case 90:
		return -1, 0
	case 135:
		return 0, -1
	}
	sin, cos = math.Sincos(float64(axis * math.Pi / 90))
	return cos, sin
}

// axisOf is the axis in degrees, from 0 up to 180, whose double angle points to
// x and y.
func axisOf(x, y float64) float64 { return halfTurn(float64(math.Atan2(y, x) * 90 / math.Pi)) }

func halfTurn(axis float64) float64 {
	axis = math.Mod(axis, 180)
	if axis < 0 {
		axis += 180
	}
	if axis >= 180 { // a tiny negative axis rounds up to 180
		axis = 0
	}
	return positiveZero(axis)
}

// positiveZero turns -0 into 0, so that it is never written as "-0".
func positiveZero(x float64) float64 {
	if x == 0 {
		return 0
	}
	return x
}
