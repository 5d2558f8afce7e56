package measure

import (
	"math"
	"strconv"
)

// DistanceBand is the impairment of an eye by its distance acuity: none (6/12
// or better), mild (to 6/18), moderate (to 6/60), severe (to 3/60) or blind.
// An edge belongs to the better band, and every word below the chart is blind.
//
// Source: ICD-11, vision impairment. ICD-10 has no band at 6/12: do not mix.
func (a Acuity) DistanceBand() (string, error) {
	return a.band("blind", []acuityBand{{30, "none"}, {48, "mild"}, {100, "moderate"}, {130, "severe"}})
}

// SurgeryOutcome is good (6/18 or better), borderline (to 6/60) or poor.
//
// Source: World Health Organization, outcome of cataract surgery.
func (a Acuity) SurgeryOutcome() (string, error) {
	return a.band("poor", []acuityBand{{48, "good"}, {100, "borderline"}})
}

// acuityBand is a band with its worst acuity, in hundredths of logMAR.
type acuityBand struct {
	worst int
	name  string
}

func (a Acuity) band(beyond string, bands []acuityBand) (string, error) {
	if err := a.check("acuity"); err != nil {
		return "", err
	}
	for _, b := range bands {
		if a.LowVision == "" && a.LogMARHundredths <= b.worst {
			return b.name, nil
		}
	}
	return beyond, nil
}

// VisualLoss says whether an eye is worse by VisualLossHundredths or more. Two
// words are compared as categories: a worse word is a loss. It fails when the
// words come from two conventions, and on an eye without light perception
// before, which has nothing to lose and is left out of the rate.
//
// Source: see VisualLossHundredths.
func VisualLoss(before, after Acuity) (bool, error) {
	if err := before.check("before"); err != nil {
		return false, err
	}
	if err := after.check("after"); err != nil {
		return false, err
	}
	if before.LowVision == NoLightPerception {
		return false, outsideWord("before", string(before.LowVision), "light perception or better")
	}
	if before.LowVision != "" && after.LowVision != "" {
		if before.Convention != after.Convention {
			return false, outsideWord("convention", string(after.Convention),
				"the convention of the acuity before, "+string(before.Convention))
		}
		return after.LowVision.place() > before.LowVision.place(), nil
	}
	return after.LogMARHundredths-before.LogMARHundredths >= VisualLossHundredths, nil
}

// MeanAcuity is the mean in logMAR, the geometric mean of the visual angles, to
// the nearest hundredth: that of 20/20 and 20/200 is 20/63. Every acuity must
// come from a chart: words are categories and have no mean. It fails with
// ErrNoCases on an empty list.
//
// Source: Holladay JT. J Cataract Refract Surg 2004;30:287-290.
func MeanAcuity(list []Acuity) (Acuity, error) {
	if len(list) == 0 {
		return Acuity{}, ErrNoCases
	}
	sum := 0
	for i, a := range list {
		name := "acuity[" + strconv.Itoa(i) + "]"
		if err := a.check(name); err != nil {
			return Acuity{}, err
		}
		if a.LowVision != "" {
			return Acuity{}, outsideWord(name, string(a.LowVision), "an acuity read on a chart")
		}
		sum += a.LogMARHundredths
	}
	return Acuity{LogMARHundredths: int(math.Round(float64(sum) / float64(len(list))))}, nil
}

// Measured is what was measured of one eye at one visit; nil is not measured.
type Measured struct {
	Unaided   *Acuity
	Corrected *Acuity
	Pinhole   *Acuity
}

// Before is the acuity that counts before surgery: the better of corrected and
// unaided, the pinhole only when neither exists. It is nil when nothing was
// measured, and it fails when words of two conventions would be compared.
//
// Source: Sparrow JM, Taylor H, Qureshi K, et al. Eye 2012;26:821-826.
func (m Measured) Before() (*Acuity, error) {
	best, err := better(m.Unaided, m.Corrected)
	if err != nil || best != nil {
		return best, err
	}
	return better(m.Pinhole, nil)
}

// After is the acuity that counts after surgery: the best of all three. It is
// nil when nothing was measured, and fails as Before does.
//
// Source: as for Before.
func (m Measured) After() (*Acuity, error) {
	best, err := better(m.Unaided, m.Corrected)
	if err != nil {
		return nil, err
	}
	return better(best, m.Pinhole)
}

func better(a, b *Acuity) (*Acuity, error) {
	for _, one := range []*Acuity{a, b} {
		if one != nil {
			if err := one.check("acuity"); err != nil {
				return nil, err
			}
		}
	}
	switch {
	case a == nil:
		return b, nil
	case b == nil:
		return a, nil
	case a.LowVision != "" && b.LowVision != "" && a.Convention != b.Convention:
		return nil, outsideWord("convention", string(b.Convention), "one convention in one visit, "+string(a.Convention))
	case b.LogMARHundredths < a.LogMARHundredths:
		return b, nil
	}
	return a, nil
}
