package simulate

import (
	"math"

	"lensledger/events"
)

// errorPart is one part of the mixture of prediction errors, in dioptres.
type errorPart struct{ share, mean, sd float64 }

// Prediction errors, in dioptres (clinic rule). The sulcus moves the implant
// forward; the same is used for the anterior chamber.
var (
	errorsInBag  = []errorPart{{0.82, -0.05, 0.42}, {0.15, 0, 0.85}, {0.03, -0.2, 1.8}}
	errorsSulcus = []errorPart{{1, -0.4, 0.9}}
)

// earlyFactor: in the first week prediction errors and induced astigmatism
// scatter twice as wide (clinic rule).
const earlyFactor = 2

func (c *course) errorParts() []errorPart {
	switch c.op.lens.Site {
	case "bag", "optic-capture":
		return errorsInBag
	}
	return errorsSulcus
}

// predictionError draws one in hundredths of a dioptre.
func (c *course) predictionError(d dice, factor float64) float64 {
	parts := c.errorParts()
	u := d.rand.Float64()
	for _, p := range parts {
		if u < p.share {
			return 100 * d.around(p.mean, p.sd*factor)
		}
		u -= p.share
	}
	last := parts[len(parts)-1]
	return 100 * d.around(last.mean, last.sd*factor)
}

// refract gives a refraction near the spherical equivalent wanted, in quarters of
// a dioptre as they are written, and its cylinder from the cornea unless the
// implant is toric. se is what was written, in thousandths of a dioptre.
func (c *course) refract(d dice, wanted float64, cornea *events.Keratometry, method events.RefractionMethod) (r events.Refraction, se int64) {
	cylinder := events.Hundredths(d.between(0, 2) * 25)
	axis := int64(d.between(0, 179))
	if c.op.lens.LensModel != "DEMO-TORIC-60" {
		cylinder = min((cornea.K2D-cornea.K1D+12)/25*25, 600)
		axis = cornea.K1AxisDeg.Value
	}
	sphere := events.Hundredths(nearestQuarter(wanted + float64(cylinder)/2))
	r = events.Refraction{SphereD: sphere, Method: method}
	if cylinder != 0 {
		r.CylinderD, r.AxisDeg = events.Some(-cylinder), events.Some(axis)
		if c.d.followup.plusCylinder {
			r.SphereD, r.CylinderD.Value, r.AxisDeg.Value = sphere-cylinder, cylinder, (axis+90)%180
		}
	}
	return r, int64(10*sphere) - int64(5*cylinder)
}

func nearestQuarter(hundredths float64) int {
	n := int(hundredths + 1e6 + 12.5) // positive, so that truncation rounds down
	return n/25*25 - 1e6
}

// Induced astigmatism of a temporal incision of 2.4 mm, in dioptres, in a right
// eye; a left one mirrors it (clinic rule: centroid 0.15-0.25, mean magnitude
// 0.45, trainees 0.55, day 1 double). With a scatter alike in all directions a
// centroid of 0.20 and a deviation of 0.33 give a mean magnitude of 0.45; 0.22
// and 0.41 give 0.55. A temporal cut flattens its meridian, so the induced
// cylinder stands near 90 degrees (the 4 degrees beside it are invented).
const (
	inducedCentroid, inducedSD               = 0.20, 0.33
	inducedCentroidTrainee, inducedSDTrainee = 0.22, 0.41
	inducedMeridian                          = 94
)

// cornea gives the keratometry some time after the operation.
func (c *course) cornea(d dice, factor float64) *events.Keratometry {
	centroid, sd := inducedCentroid, inducedSD
	if run := c.op.run(events.StepMainIncision); !run.by.consultant {
		centroid, sd = inducedCentroidTrainee, inducedSDTrainee
	}
	meridian := int64(inducedMeridian)
	if c.b.patient.side == events.EyeLeft {
		meridian = 180 - meridian
	}
	x := factor * (float64(centroid*cosineDouble[meridian]) + float64(sd*d.normal()))
	y := factor * (float64(centroid*sineDouble[meridian]) + float64(sd*d.normal()))
	before := c.b.assessed.Keratometry
	steep, cylinder := before.K2AxisDeg.Value, float64(before.K2D-before.K1D)/100
	x += float64(cylinder * cosineDouble[steep])
	y += float64(cylinder * sineDouble[steep])
	magnitude := math.Sqrt(float64(x*x) + float64(y*y))
	steep = meridianOf(x, y)
	mean := float64(before.K1D+before.K2D) / 2
	return &events.Keratometry{
		K1D: events.Hundredths(mean - float64(50*magnitude) + 0.5), K1AxisDeg: events.Some((steep + 90) % 180),
		K2D: events.Hundredths(mean + float64(50*magnitude) + 0.5), K2AxisDeg: events.Some(steep),
	}
}

// cosineDouble and sineDouble are cosine and sine of twice an angle in whole
// degrees, by turning two degrees at a time: their last bits are the same on
// every platform, those of math.Cos may not be.
var cosineDouble, sineDouble = func() (cosine, sine [180]float64) {
	const c, s = 0.99939082701909573, 0.03489949670250097
	x, y := 1.0, 0.0
	for a := range cosine {
		cosine[a], sine[a] = x, y
		x, y = float64(c*x)-float64(s*y), float64(s*x)+float64(c*y)
	}
	return cosine, sine
}()

// meridianOf is the meridian, in whole degrees, nearest to a vector on the
// double-angle plane: the one along which it is longest.
func meridianOf(x, y float64) int64 {
	best, longest := 0, math.Inf(-1)
	for a := range cosineDouble {
		if along := float64(x*cosineDouble[a]) + float64(y*sineDouble[a]); along > longest {
			best, longest = a, along
		}
	}
	return int64(best)
}
