package learning

import (
	"cmp"
	_ "embed"
	"slices"
	"time"

	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

//go:embed sql/surgeon_eyes.sql
var surgeonEyesSQL string

// Missing is what no clinic has sent of a surgeon's operations though its time is
// over.
type Missing struct {
	Operations   int           `json:"operations"`
	AcuityBefore int           `json:"acuity_before"`
	AcuityAfter  int           `json:"acuity_after"` // in days 14 to 180
	Refraction   int           `json:"refraction"`   // subjective, in days 28 to 120
	Waiting      int           `json:"waiting"`      // operations with a window that isn't over
	Cases        []MissingCase `json:"cases"`        // latest first
}

// MissingCase is one operation with what is missing of it.
type MissingCase struct {
	Case       string   `json:"case"`
	OperatedOn string   `json:"operated_on"`
	Missing    []string `json:"missing"` // acuity-before, acuity-after, refraction
	Closed     string   `json:"followup_closed,omitempty"`
}

// followedEye is what of an eye's row says whether its follow-up came.
type followedEye struct {
	CaseCode         string
	OperatedOn       time.Time
	BeforeOn         *time.Time
	AfterOn          *time.Time
	RefractionOn     *time.Time
	RefractionReason string
	FollowupClosed   string
}

func followedEyeOf(e outcome.EyeRow) followedEye {
	return followedEye{e.CaseCode, e.OperatedOn, e.BeforeOn, e.AfterOn, e.RefractionOn, e.RefractionReason, e.FollowupClosed}
}

// Where one kind of follow-up stands.
const (
	FollowupKnown       = "known"
	FollowupMissing     = "missing"      // its time is over
	FollowupWaiting     = "waiting"      // its time isn't over
	FollowupNotExpected = "not-expected" // another operation on the eye made it meaningless
)

// stands says where the follow-up of an eye stands at a time: the acuity before,
// the acuity after and the refraction.
func (e followedEye) stands(at time.Time) (before, after, refraction string) {
	of := func(on *time.Time, days int) string {
		switch {
		case on != nil:
			return FollowupKnown
		case at.After(e.OperatedOn.AddDate(0, 0, days+1)):
			return FollowupMissing
		}
		return FollowupWaiting
	}
	before = FollowupKnown
	if e.BeforeOn == nil {
		before = FollowupMissing
	}
	after, refraction = of(e.AfterOn, fold.AcuityToDay), of(e.RefractionOn, fold.RefractionToDay)
	if e.RefractionOn == nil && e.RefractionReason == fold.AfterOtherProcedure {
		refraction = FollowupNotExpected
	}
	return before, after, refraction
}

// missingOf counts what is missing at a time. A refraction that another operation
// on the eye made meaningless isn't missing.
func missingOf(eyes []followedEye, at time.Time) Missing {
	m := Missing{Operations: len(eyes), Cases: []MissingCase{}}
	slices.SortFunc(eyes, func(a, b followedEye) int {
		return cmp.Or(b.OperatedOn.Compare(a.OperatedOn), cmp.Compare(a.CaseCode, b.CaseCode))
	})
	for _, e := range eyes {
		before, after, refraction := e.stands(at)
		c := MissingCase{Case: e.CaseCode, OperatedOn: e.OperatedOn.Format(time.DateOnly), Closed: e.FollowupClosed}
		for _, kind := range []struct {
			stands, word string
			count        *int
		}{{before, "acuity-before", &m.AcuityBefore}, {after, "acuity-after", &m.AcuityAfter}, {refraction, "refraction", &m.Refraction}} {
			if kind.stands == FollowupMissing {
				*kind.count++
				c.Missing = append(c.Missing, kind.word)
			}
		}
		if after == FollowupWaiting || refraction == FollowupWaiting {
			m.Waiting++
		}
		if len(c.Missing) > 0 {
			m.Cases = append(m.Cases, c)
		}
	}
	return m
}
