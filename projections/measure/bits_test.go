package measure

import (
	"encoding/binary"
	"encoding/hex"
	"hash/fnv"
	"math"
	"runtime"
	"testing"
)

// The same input gives the same bits whatever GOAMD64 is: a product fused with
// a sum at level v3 would change this digest.
func TestSameBitsAtEveryLevel(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the standard library's logarithm differs between architectures")
	}
	hash := fnv.New64a()
	add := func(list ...float64) {
		for _, x := range list {
			_ = binary.Write(hash, binary.LittleEndian, math.Float64bits(x))
		}
	}
	model := must[Model](t)(DefaultModel().At(0.03))
	var scores, risks []float64
	var events []bool
	for i := range 400 {
		f := Factors{AgeYears: years(50 + i%50), AxialLengthUM: years(22000 + 37*i)}
		if i%3 == 0 {
			f.Sex, f.Pseudoexfoliation = "male", Yes
		}
		risk := must[Risk](t)(model.Risk(f))
		add(risk.CompositeOddsRatio, risk.Probability)
		scores = append(scores, must[Scores](t)(LLR(risk.Probability, 2)).Of(i%29 == 0))
		risks, events = append(risks, risk.Probability), append(events, i%29 == 0)
	}
	for _, p := range must[[]Point](t)(Path(scores, 2.36, 300)) {
		add(p.Score, p.Value)
	}
	add(must[[]float64](t)(ObservedMinusExpected(risks, events))...)
	add(must[[]float64](t)(FixedList(risks, 2, 2.36, 1))...)
	design := must[Design](t)(NewDesign(DesignRequest{Acceptable: .03, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 100}))
	add(design.Threshold, design.InControl.AverageRunLength, design.OutOfControl.AverageRunLength)
	mix := []MixPoint{{.005, .35}, {.01, .3}, {.02, .2}, {.05, .1}, {.1, .05}}
	for _, r := range []DesignRequest{{CaseMix: mix, OddsRatio: 2, Threshold: 2.4, HeadStart: 1, SteadyState: true},
		{CaseMix: mix, OddsRatio: 1.2, Threshold: 1, SteadyState: true}, {Acceptable: .1, OddsRatio: 2, Threshold: 2, SteadyState: true}} {
		design := must[Design](t)(NewDesign(r))
		add(design.InControl.AverageRunLength, design.InControl.MedianRunLength, design.InControl.AlarmWithin[5].Chance, design.OutOfControl.AverageRunLength,
			design.SteadyState.InControl, design.SteadyState.OutOfControl)
	}
	d := must[PoissonBinomial](t)(NewPoissonBinomial(risks))
	add(d.AtLeast(14), d.AtMost(14))
	ratio := must[Ratio](t)(ObservedExpected(14, 11.7))
	add(ratio.Ratio, ratio.Byar.Lower, ratio.Byar.Upper)
	wilson := must[Interval](t)(Wilson(14, 400, .95))
	add(wilson.Lower, wilson.Upper)
	if got, want := hex.EncodeToString(hash.Sum(nil)), "f330af7fd9430f99"; got != want {
		t.Errorf("digest %s, want %s: the bits of a measure changed", got, want)
	}
}
