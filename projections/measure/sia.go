package measure

import (
	"math"
	"strconv"
)

// Astigmatism is an amount in dioptres, 0 or more, and its meridian in degrees,
// 0 to 180 with 180 the same as 0: of a cornea the steep one, of a change the
// one that steepened. The meridian is nil when there is no astigmatism.
type Astigmatism struct {
	Amount float64  `json:"dioptres"`
	Axis   *float64 `json:"axis_deg"`
}

// DoubleAngle is an astigmatism as a point of the double-angle plane, in
// dioptres. Only there may astigmatism be subtracted and averaged.
type DoubleAngle struct {
	X float64 `json:"x_d"`
	Y float64 `json:"y_d"`
}

// DoubleAngle gives the point of an astigmatism. It fails on a negative amount
// or one beyond 100 D, on a meridian outside 0 to 180, and on an amount without
// a meridian.
func (a Astigmatism) DoubleAngle() (DoubleAngle, error) {
	if !(a.Amount >= 0 && a.Amount <= maxPower) {
		return DoubleAngle{}, outside("dioptres", a.Amount, "0 to 100")
	}
	if err := checkAxis(a.Axis, a.Amount != 0); err != nil {
		return DoubleAngle{}, err
	}
	if a.Axis == nil {
		return DoubleAngle{}, nil
	}
	cos, sin := doubleAngle(*a.Axis)
	return DoubleAngle{X: positiveZero(float64(a.Amount * cos)), Y: positiveZero(float64(a.Amount * sin))}, nil
}

// Astigmatism gives amount and meridian of the point; at 0 the meridian is nil.
func (d DoubleAngle) Astigmatism() (Astigmatism, error) {
	if err := d.check("point"); err != nil {
		return Astigmatism{}, err
	}
	amount := math.Hypot(d.X, d.Y)
	if amount < noAstigmatism {
		return Astigmatism{}, nil
	}
	axis := axisOf(d.X, d.Y)
	return Astigmatism{Amount: amount, Axis: &axis}, nil
}

// check allows differences of two astigmatisms.
func (d DoubleAngle) check(name string) error {
	for _, x := range []float64{d.X, d.Y} {
		if !(x >= -2*maxPower && x <= 2*maxPower) {
			return outside(name, x, "-200 to 200")
		}
	}
	return nil
}

// Mirrored is the point seen in a mirror: meridian a becomes 180 - a. A left eye
// is mirrored before it is pooled with right eyes.
func (d DoubleAngle) Mirrored() DoubleAngle { return DoubleAngle{X: d.X, Y: positiveZero(-d.Y)} }

// TurnedTo measures the meridian from an incision at the given meridian, so that
// eyes with different incisions can be pooled: flattening along the incision
// comes to lie at 90.
func (d DoubleAngle) TurnedTo(incision float64) (DoubleAngle, error) {
	if err := d.check("point"); err != nil {
		return DoubleAngle{}, err
	}
	if err := checkAxis(&incision, true); err != nil {
		return DoubleAngle{}, err
	}
	cos, sin := doubleAngle(incision)
	return DoubleAngle{
		X: positiveZero(float64(d.X*cos) + float64(d.Y*sin)),
		Y: positiveZero(float64(d.Y*cos) - float64(d.X*sin)),
	}, nil
}

// Induced is the surgically induced astigmatism, after minus before. Amounts
// must not be subtracted: 1 D at 180 that becomes 1 D at 90 is a change of 2 D.
//
// Source: Holladay JT, Moran JR, Kezirian GM. J Cataract Refract Surg
// 2001;27:61-79; Holladay JT, Cravy TV, Koch DD. ibid. 1992;18:429-443.
func Induced(before, after Astigmatism) (DoubleAngle, error) {
	b, err := before.DoubleAngle()
	if err != nil {
		return DoubleAngle{}, err
	}
	a, err := after.DoubleAngle()
	if err != nil {
		return DoubleAngle{}, err
	}
	return DoubleAngle{X: a.X - b.X, Y: a.Y - b.Y}, nil
}

// Centroid is the mean of a group of astigmatisms as vectors, beside the mean of
// their amounts, in dioptres. The first is never more than the second. SD is of
// the amounts (n-1), nil for a single eye.
type Centroid struct {
	N          int         `json:"n"`
	Mean       DoubleAngle `json:"mean"`
	Centroid   Astigmatism `json:"centroid"`
	MeanAmount float64     `json:"mean_dioptres"`
	SD         *float64    `json:"sd_dioptres"`
}

// NewCentroid averages points of the double-angle plane. It fails with
// ErrNoCases on an empty list.
//
// Source: Holladay JT, Moran JR, Kezirian GM. J Cataract Refract Surg
// 2001;27:61-79.
func NewCentroid(points []DoubleAngle) (Centroid, error) {
	mean, err := meanPoint(points)
	if err != nil {
		return Centroid{}, err
	}
	centroid, err := mean.Astigmatism()
	if err != nil {
		return Centroid{}, err
	}
	amounts := make([]float64, len(points))
	for i, p := range points {
		amounts[i] = math.Hypot(p.X, p.Y)
	}
	average, sd := meanAndSD(amounts)
	return Centroid{N: len(points), Mean: mean, Centroid: centroid, MeanAmount: average, SD: sd}, nil
}

func meanPoint(points []DoubleAngle) (DoubleAngle, error) {
	if len(points) == 0 {
		return DoubleAngle{}, ErrNoCases
	}
	var sum DoubleAngle
	for i, p := range points {
		if err := p.check("points[" + strconv.Itoa(i) + "]"); err != nil {
			return DoubleAngle{}, err
		}
		sum.X, sum.Y = sum.X+p.X, sum.Y+p.Y
	}
	n := float64(len(points))
	return DoubleAngle{X: positiveZero(sum.X / n), Y: positiveZero(sum.Y / n)}, nil
}

// meanAndSD gives the mean of at least one number, and the standard deviation
// (n-1), which is nil for a single number.
func meanAndSD(list []float64) (mean float64, sd *float64) {
	n := float64(len(list))
	// Counted from the first, so that numbers that are all alike have no spread.
	for _, x := range list {
		mean += x - list[0]
	}
	mean = list[0] + mean/n
	if len(list) < 2 {
		return mean, nil
	}
	squares := 0.0
	for _, x := range list {
		squares += float64((x - mean) * (x - mean))
	}
	deviation := math.Sqrt(squares / (n - 1))
	return mean, &deviation
}

// Ellipse is a region of the double-angle plane, in dioptres. Angle is that of
// its long axis in that plane, 0 to 180 degrees, nil for a circle; it is not a
// meridian of the eye.
type Ellipse struct {
	Conf      float64     `json:"confidence"`
	Centre    DoubleAngle `json:"centre"`
	SemiMajor float64     `json:"semi_major_d"`
	SemiMinor float64     `json:"semi_minor_d"`
	Angle     *float64    `json:"angle_deg"`
}

// ConfidenceEllipse is the region for the true centroid. It fails on fewer than
// three points, and on points that lie on one line.
//
// Source: Hotelling's T-squared region, 2(n-1)/(n-2) F(2, n-2)/n.
func ConfidenceEllipse(points []DoubleAngle, conf float64) (Ellipse, error) {
	return ellipse(points, conf, func(n float64) float64 { return 1 / n })
}

// PredictionEllipse is the region for one new eye. Errors are as for
// ConfidenceEllipse.
//
// Source: Hotelling's T-squared region, 2(n-1)(n+1)/(n(n-2)) F(2, n-2).
func PredictionEllipse(points []DoubleAngle, conf float64) (Ellipse, error) {
	return ellipse(points, conf, func(n float64) float64 { return (n + 1) / n })
}

func ellipse(points []DoubleAngle, conf float64, share func(n float64) float64) (Ellipse, error) {
	if err := checkConf(conf); err != nil {
		return Ellipse{}, err
	}
	s, err := newScatter(points)
	if err != nil {
		return Ellipse{}, err
	}
	// With two degrees of freedom above, the quantile of F has a closed form.
	m := s.n - 2
	quantile := float64(m / 2 * math.Expm1(float64(-2/m*math.Log1p(-conf))))
	scale := float64(2 * (s.n - 1) / m * float64(quantile*share(s.n)))
	if !finite(scale) {
		return Ellipse{}, outside("conf", conf, "a confidence that so few points can give")
	}
	e := Ellipse{Conf: conf, Centre: s.mean,
		SemiMajor: math.Sqrt(float64(s.large * scale)), SemiMinor: math.Sqrt(float64(s.small * scale))}
	if s.large-s.small > float64(1e-12*s.large) {
		angle := axisOf(s.xx-s.yy, 2*s.xy)
		e.Angle = &angle
	}
	return e, nil
}

// CentroidTest tests whether the true centroid is 0: no induced astigmatism.
type CentroidTest struct {
	TSquared float64 `json:"t_squared"`
	F        float64 `json:"f"`
	DF       int     `json:"df"` // below the 2 of the plane
	P        float64 `json:"p"`
}

// HotellingTest tests a mean of 0. Errors are as for
// ConfidenceEllipse.
//
// Source: Hotelling's one-sample T-squared.
func HotellingTest(points []DoubleAngle) (CentroidTest, error) {
	s, err := newScatter(points)
	if err != nil {
		return CentroidTest{}, err
	}
	x, y := s.mean.X, s.mean.Y
	form := float64(float64(x*x)*s.yy) - float64(2*float64(float64(x*y)*s.xy)) + float64(float64(y*y)*s.xx)
	m := s.n - 2
	tSquared := math.Max(0, float64(s.n*form)/float64(s.large*s.small))
	f := float64(tSquared*m) / float64(2*(s.n-1))
	return CentroidTest{TSquared: tSquared, F: f, DF: len(points) - 2,
		P: math.Exp(float64(-m / 2 * math.Log1p(float64(2*f/m))))}, nil
}

// scatter is the covariance (n-1) of points, with its two eigenvalues.
type scatter struct {
	n            float64
	mean         DoubleAngle
	xx, yy, xy   float64
	large, small float64
}

func newScatter(points []DoubleAngle) (scatter, error) {
	mean, err := meanPoint(points)
	if err != nil {
		return scatter{}, err
	}
	if len(points) < 3 {
		return scatter{}, outsideCount("points", len(points), "at least 3")
	}
	s := scatter{n: float64(len(points)), mean: mean}
	for _, p := range points {
		x, y := p.X-mean.X, p.Y-mean.Y
		s.xx += float64(x * x)
		s.yy += float64(y * y)
		s.xy += float64(x * y)
	}
	s.xx, s.yy, s.xy = s.xx/(s.n-1), s.yy/(s.n-1), s.xy/(s.n-1)
	s.large = (s.xx+s.yy)/2 + math.Hypot((s.xx-s.yy)/2, s.xy)
	// The smaller one from the determinant: the difference would lose its digits.
	s.small = (float64(s.xx*s.yy) - float64(s.xy*s.xy)) / s.large
	if !(s.small > float64(1e-12*s.large) && s.large > noAstigmatism*noAstigmatism) {
		return scatter{}, outside("variance of points", math.Max(0, positiveZero(s.xx+s.yy)), "spread in both directions of the plane")
	}
	return s, nil
}
