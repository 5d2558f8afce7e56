package outcome

import (
	"math"

	"lensledger/events"
	"lensledger/projections/measure"
)

// Risk is a case's expected risk of capsule rupture under measure.DefaultModel,
// in whole numbers so that sums don't depend on their order.
type Risk struct {
	OddsRatioMillionths int64
	Nano                int64 // probability x 10^9
	Unknown             []string
}

var model = measure.DefaultModel()

// Expected gives the risk of an eye from what was assessed. Unknown factors stand
// at their reference and are listed.
func Expected(known *events.PreopAssessed) Risk {
	r, err := model.Risk(Factors(known))
	if err != nil {
		// Words and limits were checked when the event was read: a test holds that
		// every payload within them has a risk.
		panic(err)
	}
	m := int64(math.Round(float64(r.CompositeOddsRatio * 1e6)))
	p, err := model.Probability(float64(m) / 1e6)
	if err != nil {
		panic(err) // as above
	}
	return Risk{
		OddsRatioMillionths: m,
		Nano:                int64(math.Round(float64(p * 1e9))),
		Unknown:             withoutGrade(r.Unknown),
	}
}

// withoutGrade: the surgeon's grade stays at reference on purpose, so it isn't
// an unknown.
func withoutGrade(unknown []string) []string {
	out := unknown[:0:0]
	for _, f := range unknown {
		if f != "grade" {
			out = append(out, f)
		}
	}
	return out
}

// Factors maps an assessment to the risk model's factors; nil is all unknown.
func Factors(p *events.PreopAssessed) measure.Factors {
	if p == nil {
		return measure.Factors{}
	}
	return measure.Factors{
		AgeYears: whole(p.AgeYears), Sex: string(p.Sex),
		Glaucoma: answer(p.Glaucoma), DiabeticRetinopathy: answer(p.DiabeticRetinopathy),
		WhiteCataract: answer(p.WhiteCataract), BrunescentCataract: answer(p.BrunescentCataract),
		NoFundalView: answer(p.NoFundalView), VitreousOpacities: answer(p.VitreousOpacities),
		Pseudoexfoliation: answer(p.Pseudoexfoliation), Phacodonesis: answer(p.Phacodonesis),
		Pupil: string(p.Pupil), AxialLengthUM: whole(p.AxialLengthUM), AlphaBlocker: string(p.AlphaBlocker),
		CanLieFlat: answer(p.CanLieFlat),
	}
}

func whole(o events.Opt[int64]) *int {
	if !o.Known {
		return nil
	}
	n := int(o.Value)
	return &n
}

func answer(f events.Fact) measure.Answer {
	return map[events.Fact]measure.Answer{events.No: measure.No, events.Yes: measure.Yes}[f]
}
