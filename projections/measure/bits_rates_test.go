package measure

import (
	"encoding/hex"
	"hash/fnv"
	"math"
	"runtime"
	"strconv"
	"testing"
)

// Rates, eyes, curves and fits have the same bits at every GOAMD64 level too. Each
// has a digest of its own, so that a change names its measure. Not here is what
// inverts the library's incomplete beta or gamma function: exact intervals and
// Student's t, whose last digits differ between levels.
func TestSameBitsOfRatesAndCurves(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the standard library's logarithm differs between architectures")
	}
	var values []CaseValue
	var predictors, risks, errors []float64
	var events []bool
	var points []DoubleAngle
	for i := range 300 {
		n := float64(i + 1)
		values = append(values, CaseValue{i + 1, 12 + 38/math.Sqrt(n) + float64(i*i%19)/7})
		predictors, events = append(predictors, float64(i%37)/10), append(events, i%7 == 0 && i%37 > 9 || i%23 == 0)
		risks, errors = append(risks, .01+float64(i%50)/200), append(errors, float64(i%17-8)/7)
		points = append(points, DoubleAngle{float64(i%17-8) / 9, float64(i*i%23-11) / 13})
	}
	eyes := madeUpEyes(t, 20, 118.4, 119, .4)
	for name, c := range map[string]struct {
		want string
		list func() []float64
	}{
		"isotonic": {"198fec38", func() (list []float64) {
			for _, s := range must[IsotonicFit](t)(Monotone(values)).Steps {
				list = append(list, s.Value)
			}
			return list
		}},
		"power law": {"97114491", func() []float64 {
			f := must[PowerLaw](t)(NewPowerLaw(values))
			return []float64{f.LogA, f.Slope, f.SlopeSE, f.Sigma, f.Smearing}
		}},
		"power curve": {"640750bc", func() []float64 {
			f := must[PowerCurve](t)(NewPowerCurve(values, true))
			return []float64{f.A.Value, f.B.Value, f.B.SE, f.C.Value, f.C.SE, f.RSS, *f.AIC}
		}},
		"loess": {"444227a5", func() (list []float64) {
			for _, p := range must[[]SmoothPoint](t)(Loess(values, .5, 2, []int{1, 100, 300})) {
				list = append(list, p.Value, p.SE)
			}
			return list
		}},
		"recalibration": {"bdfe3fed", func() []float64 {
			r := must[Recalibration](t)(Recalibrate(CapsuleRupture2009(), predictors, events,
				RecalibrationRequest{Name: "x", Version: "1", Population: "x", MinimumEvents: 20}))
			return []float64{r.Intercept.Value, r.Slope.Value, r.Slope.SE, r.Model.ReferencePRef, r.After.Brier, r.HosmerLemeshow.ChiSquared}
		}},
		"calibration": {"78b54da6", func() []float64 {
			c := must[Calibration](t)(NewCalibration(risks, events))
			return []float64{c.InTheLarge.Value, c.CStatistic.Value, c.CStatistic.SE, c.Brier, c.LogLoss, c.ScaledBrier}
		}},
		"prediction": {"a81afc87", func() []float64 {
			r := must[PredictionResult](t)(NewPredictionResult(errors))
			l := must[LensConstant](t)(NewLensConstant(errors, .95))
			return []float64{r.Mean, *r.SD, r.MedianAbsolute, l.Shift}
		}},
		"lens constant": {"8783e101", func() []float64 {
			c := must[AConstant](t)(NewAConstant(eyes, 118.4, .95))
			return []float64{c.Zeroing, c.PerUnit, must[float64](t)(SRKTPower(25, 44, 118.4, -.5))}
		}},
		"vectors": {"7fc2a319", func() []float64 {
			c := must[Centroid](t)(NewCentroid(points))
			e := must[Ellipse](t)(ConfidenceEllipse(points, .95))
			v := must[PowerVector](t)(Refraction{-2, -1.5, new(30.0)}.Vector())
			return []float64{c.Mean.X, c.MeanAmount, e.SemiMajor, e.SemiMinor, v.J0, v.J45}
		}},
		"funnel": {"fb0b353b", func() (list []float64) {
			f := must[Funnel](t)(NewFunnel(FunnelRequest{Target: .0192, MinimumCases: 50,
				Units: []Unit{{"a", 3, 200}, {"b", 9, 310}, {"c", 15, 420}}}))
			for _, p := range f.Points {
				list = append(list, p.Z, p.Limits95.Lower, p.Limits998.Upper, p.Dispersed95.Upper)
			}
			return append(list, f.Dispersion.Phi, f.Outside95.Expected, f.Outside998.AtLeastOne)
		}},
		"comparison": {"f470fd41", func() []float64 {
			d := must[Interval](t)(NewcombeDifference(56, 70, 48, 80, .95))
			k := must[Interval](t)(KoopmanRatio(12, 501, 23, 454, .95))
			return []float64{d.Lower, d.Upper, k.Lower, k.Upper, must[float64](t)(FisherExact(12, 501, 23, 454))}
		}},
	} {
		hash := fnv.New32a()
		for _, x := range c.list() {
			_, _ = hash.Write(strconv.AppendUint(nil, math.Float64bits(x), 16))
		}
		if got := hex.EncodeToString(hash.Sum(nil)); got != c.want {
			t.Errorf("%s: digest %s, want %s: its bits changed", name, got, c.want)
		}
	}
}
