package measure

import (
	"fmt"
	"slices"
	"strconv"
)

// Answer is a yes/no fact that may be unknown. Unknown is never no.
type Answer int8

// The states of an Answer.
const (
	Unknown Answer = iota
	No
	Yes
)

// Factors are the facts about a patient and an eye, as recorded before the
// incision, from which a risk is computed. The names are those of the event
// preop.assessed. A nil pointer and an empty word are unknown.
type Factors struct {
	AgeYears            *int
	Sex                 string // female, male
	Glaucoma            Answer
	DiabeticRetinopathy Answer // diabetes without retinopathy is no
	WhiteCataract       Answer
	BrunescentCataract  Answer
	NoFundalView        Answer
	VitreousOpacities   Answer
	Pseudoexfoliation   Answer
	Phacodonesis        Answer
	Pupil               string // large, medium, small
	AxialLengthUM       *int   // micrometres
	AlphaBlocker        string // none, doxazosin, tamsulosin, other
	CanLieFlat          Answer
	Grade               string // consultant, ...: read by RiskWithGrade alone
}

// Model is a risk model as data: each term multiplies the odds of a reference
// patient. Population names the operations to which the model is calibrated,
// and ReferenceRate is their overall rate.
type Model struct {
	Name          string  `json:"name"`
	Version       string  `json:"version"`
	Population    string  `json:"population"`
	Source        string  `json:"source"`
	ReferencePRef float64 `json:"reference_risk"` // probability of a patient with every term at its reference
	ReferenceRate float64 `json:"reference_rate"`
	Terms         []Term  `json:"terms"`
}

// Term is one factor of a model. The first level whose conditions all hold
// multiplies the odds; when none holds the term stays at its reference, 1.
type Term struct {
	Name   string  `json:"name"`
	Grade  bool    `json:"grade,omitempty"` // a term about the surgeon, not the patient
	Levels []Level `json:"levels"`
}

// Level is one value of a term. Several conditions make an interaction.
type Level struct {
	When      []Condition `json:"when"`
	OddsRatio float64     `json:"odds_ratio"`
}

// Condition holds when a field is one word (Is), or when it is a number from
// AtLeast up to but not including Below; Below 0 is no upper end.
type Condition struct {
	Field   string `json:"field"`
	Is      string `json:"is,omitempty"`
	AtLeast int    `json:"at_least,omitempty"`
	Below   int    `json:"below,omitempty"`
}

// Risk is what a model gives for one patient. Unknown lists the factors that
// were unknown, and so taken at their reference, in the order of Fields.
type Risk struct {
	Model              string   `json:"model"`
	Version            string   `json:"version"`
	CompositeOddsRatio float64  `json:"composite_odds_ratio"`
	Probability        float64  `json:"risk"`
	Unknown            []string `json:"unknown"`
}

// fields are in the order in which unknown ones are listed.
var fields = []string{
	"age_years", "sex", "glaucoma", "diabetic_retinopathy", "white_cataract", "brunescent_cataract",
	"no_fundal_view", "vitreous_opacities", "pseudoexfoliation", "phacodonesis", "pupil",
	"axial_length_um", "alpha_blocker", "can_lie_flat", "grade",
}

// Fields gives the names of all factors in their fixed order.
func Fields() []string { return append([]string(nil), fields...) }

// words are the values of the factors that have words for values.
var words = []struct {
	field   string
	allowed []string
}{
	{"sex", []string{"female", "male"}},
	{"pupil", []string{"large", "medium", "small"}},
	{"alpha_blocker", []string{"none", "doxazosin", "tamsulosin", "other"}},
	{"grade", []string{"consultant", "associate-specialist", "staff-grade", "fellow",
		"specialist-registrar", "senior-house-officer"}},
}

// Risk gives a patient's risk, a probability from 0 to 1, with the surgeon at
// the reference grade: every chart and every comparison of individuals uses
// this one. It fails on a value that no factor has.
func (m Model) Risk(f Factors) (Risk, error) { return m.risk(f, false) }

// RiskWithGrade also multiplies by the surgeon's grade. It serves a department's
// comparison of its staffing and nothing else.
func (m Model) RiskWithGrade(f Factors) (Risk, error) { return m.risk(f, true) }

func (m Model) risk(f Factors, withGrade bool) (Risk, error) {
	if err := m.check(); err != nil {
		return Risk{}, err
	}
	if err := f.check(); err != nil {
		return Risk{}, err
	}
	composite := 1.0
	var missing []string
	for _, term := range m.Terms {
		if term.Grade && !withGrade {
			continue
		}
		oddsRatio, unknown := term.read(f)
		composite = float64(composite * oddsRatio)
		missing = append(missing, unknown...)
	}
	unknown := make([]string, 0, len(missing))
	for _, field := range fields {
		if slices.Contains(missing, field) {
			unknown = append(unknown, field)
		}
	}
	odds := float64(m.ReferencePRef / (1 - m.ReferencePRef) * composite)
	if !(composite > 0 && odds > 0 && finite(odds)) {
		return Risk{}, outside("composite odds ratio", composite, "more than 0 and finite: the model's odds ratios are too extreme")
	}
	return Risk{Model: m.Name, Version: m.Version, CompositeOddsRatio: composite,
		Probability: odds / (1 + odds), Unknown: unknown}, nil
}

// read gives the term's odds ratio, and which unknown fields could have made it
// another one.
func (t Term) read(f Factors) (oddsRatio float64, unknown []string) {
	for _, level := range t.Levels {
		holds, open := level.read(f)
		if holds {
			return level.OddsRatio, nil
		}
		unknown = append(unknown, open...)
	}
	return 1, unknown
}

func (l Level) read(f Factors) (holds bool, open []string) {
	for _, c := range l.When {
		word, value, known := f.field(c.Field)
		switch {
		case !known:
			open = append(open, c.Field)
		case c.Is != "" && word != c.Is:
			return false, nil
		case c.Is == "" && (value < c.AtLeast || (c.Below != 0 && value >= c.Below)):
			return false, nil
		}
	}
	return len(open) == 0, open
}

// field reads one factor: its word, or its number.
func (f Factors) field(name string) (word string, value int, known bool) {
	answer := func(a Answer) (string, int, bool) {
		if a == Yes {
			return "yes", 0, true
		}
		return "no", 0, a != Unknown
	}
	whole := func(p *int) (string, int, bool) {
		if p == nil {
			return "", 0, false
		}
		return "", *p, true
	}
	switch name {
	case "age_years":
		return whole(f.AgeYears)
	case "sex":
		return f.Sex, 0, f.Sex != ""
	case "glaucoma":
		return answer(f.Glaucoma)
	case "diabetic_retinopathy":
		return answer(f.DiabeticRetinopathy)
	case "white_cataract":
		return answer(f.WhiteCataract)
	case "brunescent_cataract":
		return answer(f.BrunescentCataract)
	case "no_fundal_view":
		return answer(f.NoFundalView)
	case "vitreous_opacities":
		return answer(f.VitreousOpacities)
	case "pseudoexfoliation":
		return answer(f.Pseudoexfoliation)
	case "phacodonesis":
		return answer(f.Phacodonesis)
	case "pupil":
		return f.Pupil, 0, f.Pupil != ""
	case "axial_length_um":
		return whole(f.AxialLengthUM)
	case "alpha_blocker":
		return f.AlphaBlocker, 0, f.AlphaBlocker != ""
	case "can_lie_flat":
		return answer(f.CanLieFlat)
	case "grade":
		return f.Grade, 0, f.Grade != ""
	}
	return "", 0, false
}

// check refuses a word or number that a factor cannot have.
func (f Factors) check() error {
	if f.AgeYears != nil && (*f.AgeYears < 0 || *f.AgeYears > 115) {
		return outsideCount("age_years", *f.AgeYears, "0 to 115")
	}
	if f.AxialLengthUM != nil && (*f.AxialLengthUM < 14000 || *f.AxialLengthUM > 40000) {
		return outsideCount("axial_length_um", *f.AxialLengthUM, "14000 to 40000")
	}
	for _, w := range words {
		if word, _, known := f.field(w.field); known && !slices.Contains(w.allowed, word) {
			return outsideWord(w.field, word, fmt.Sprintf("one of %q, or nothing for unknown", w.allowed))
		}
	}
	answers := [...]Answer{f.Glaucoma, f.DiabeticRetinopathy, f.WhiteCataract, f.BrunescentCataract, f.NoFundalView,
		f.VitreousOpacities, f.Pseudoexfoliation, f.Phacodonesis, f.CanLieFlat}
	for _, a := range answers {
		if a < Unknown || a > Yes {
			return outsideCount("answer", int(a), "Unknown, No or Yes")
		}
	}
	return nil
}

// check refuses a model that would give something other than a probability.
func (m Model) check() error {
	if err := checkProbability("reference patient's risk", m.ReferencePRef); err != nil {
		return err
	}
	if err := checkProbability("reference rate", m.ReferenceRate); err != nil {
		return err
	}
	for _, term := range m.Terms {
		for _, level := range term.Levels {
			if !(level.OddsRatio > 0 && finite(level.OddsRatio)) {
				return outside("odds ratio of "+term.Name, level.OddsRatio, "more than 0")
			}
			for _, c := range level.When {
				if !slices.Contains(fields, c.Field) {
					return outsideWord("field of "+term.Name, c.Field, fmt.Sprintf("one of %q", fields))
				}
			}
		}
	}
	return nil
}

// Recalibrated gives the model with its intercept shifted on the logit scale by
// logit(rate) - logit(the model's own reference rate): recalibration in the
// large. It assumes the same case mix in the new population; it leaves the odds
// ratios as they are.
func (m Model) Recalibrated(rate float64, population, version string) (Model, error) {
	if err := checkProbability("rate", rate); err != nil {
		return Model{}, err
	}
	if population == "" {
		return Model{}, outsideWord("population", population, "the name of the operations that gave the rate")
	}
	if err := m.check(); err != nil {
		return Model{}, err
	}
	// A shift on the logit scale is a factor on the odds, and needs no logarithm.
	factor := odds(rate) / odds(m.ReferenceRate)
	reference := float64(odds(m.ReferencePRef) * factor)
	p := reference / (1 + reference)
	if err := checkProbability("reference patient's risk", p); err != nil {
		return Model{}, err
	}
	m.ReferencePRef, m.ReferenceRate, m.Population, m.Version = p, rate, population, version
	return m, nil
}

// At centres the model on a chart's acceptable rate. Such a model belongs to no
// population, so an adjusted rate refuses it.
func (m Model) At(rate float64) (Model, error) {
	name := strconv.FormatFloat(rate, 'g', -1, 64)
	return m.Recalibrated(rate, "acceptable rate "+name, m.Version+"-at-"+name)
}

func odds(p float64) float64 { return p / (1 - p) }
