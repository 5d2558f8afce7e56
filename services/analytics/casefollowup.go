package analytics

import (
	"fmt"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// followup is what was seen after the operation. A day counts local calendar days
// since the operation, and is null where no start is on record. Healing says that
// what was seen belongs to healing and is no outcome yet.
type followup struct {
	Acuities      []acuityVisit      `json:"acuities"`
	Refractions   []refractionVisit  `json:"refractions"`
	Keratometries []keratometryVisit `json:"keratometries"`
	Findings      []finding          `json:"findings"`
	Closed        *closing           `json:"closed"`
}

// visit is when something was seen.
type visit struct {
	At  time.Time `json:"at"`
	Day *int      `json:"day"`
}

type acuityVisit struct {
	visit
	Acuity []acuity `json:"acuity"`
}

type refractionVisit struct {
	visit
	refraction
	EquivalentD float64 `json:"spherical_equivalent_d"`
	Healing     bool    `json:"healing"`
}

type keratometryVisit struct {
	visit
	keratometry
	Healing bool `json:"healing"`
}

type finding struct {
	visit
	Kind         string `json:"kind"`
	Certainty    string `json:"certainty"`
	PressureMMHg *int64 `json:"pressure_mmhg"`
	Healing      bool   `json:"healing"`
}

type closing struct {
	visit
	Reason string `json:"reason"`
}

func followupOf(c fold.Case) followup {
	at := func(t time.Time) visit {
		v := visit{At: t}
		if c.Started != nil {
			day := c.DaysAfter(t)
			v.Day = &day
		}
		return v
	}
	early := func(t time.Time) bool { return c.Started != nil && c.DaysAfter(t) < fold.HealingBeforeDay }
	out := followup{
		Acuities: listOf(c.Acuities, func(v fold.AcuityVisit) acuityVisit { return acuityVisit{at(v.At), listOf(v.Acuity, acuityOf)} }),
		Refractions: listOf(c.Refractions, func(v fold.RefractionVisit) refractionVisit {
			return refractionVisit{at(v.At), refractionOf(v.Refraction), float64(outcome.SphericalEquivalent(v.Refraction)) / 1000, early(v.At)}
		}),
		Keratometries: listOf(c.Keratometries, func(v fold.KeratometryVisit) keratometryVisit {
			return keratometryVisit{at(v.At), keratometryOf(v.Keratometry), early(v.At)}
		}),
		Findings: listOf(c.Findings, func(f fold.Finding) finding {
			return finding{at(f.At), string(f.Kind), string(f.Certainty), known(f.PressureMMHg), f.Kind == events.FindingCornealOedema && early(f.At)}
		}),
	}
	if c.Closed != nil {
		out.Closed = &closing{at(c.Closed.At), string(c.Closed.Reason)}
	}
	return out
}

// caseReviewed is a trainer's review of the case.
type caseReviewed struct {
	ReviewedAt      time.Time `json:"reviewed_at"`
	Trainer         string    `json:"trainer"`
	AtThisStage     string    `json:"at_this_stage"`
	TeachingPoints  []string  `json:"teaching_points"`
	AgreedAction    string    `json:"agreed_action"`
	SupervisionNext string    `json:"supervision_next"`
}

func caseReviewsOf(c fold.Case) []caseReviewed {
	return listOf(c.Reviews, func(r fold.CaseReview) caseReviewed {
		return caseReviewed{r.At, string(r.Trainer), string(r.AtThisStage), textsOf(r.TeachingPoints), string(r.AgreedAction), string(r.SupervisionNext)}
	})
}

// eyeOutcome is what the operation came to in the weeks after it, by the windows
// and rules of the measures.
type eyeOutcome struct {
	SecondEye   *bool `json:"second_eye"`
	Copathology *bool `json:"ocular_copathology"`

	Before       *countedAcuity `json:"acuity_before"`
	After        *countedAcuity `json:"acuity_after"`
	Unaided      *unaided       `json:"acuity_after_unaided"` // of the same visit
	VisualLoss   *bool          `json:"visual_loss"`
	VisionReason string         `json:"visual_loss_unknown_because"`

	Refraction eyeRefraction `json:"refraction"`
	Induced    induced       `json:"induced_astigmatism"`

	Complications       []string         `json:"complications"` // kinds, each once
	Findings            []string         `json:"findings"`
	Returned            bool             `json:"returned_to_theatre"`
	UnplannedAttendance bool             `json:"unplanned_attendance"`
	Endophthalmitis     *endophthalmitis `json:"endophthalmitis"` // within 42 days
	FollowupClosed      string           `json:"followup_closed"`
}

type countedAcuity struct {
	On string `json:"on"`
	unaided
	Convention string `json:"convention"`
	Correction string `json:"correction"`
}

type unaided struct {
	LogMARHundredths *int64 `json:"logmar_hundredths"`
	LowVision        string `json:"low_vision"`
}

// eyeRefraction is in dioptres of spherical equivalent.
type eyeRefraction struct {
	On            *string  `json:"on"`
	AchievedD     *float64 `json:"achieved_d"`
	PredictedD    *float64 `json:"predicted_d"` // for the implant in the eye
	TargetD       *float64 `json:"target_d"`
	ErrorD        *float64 `json:"prediction_error_d"` // achieved less predicted
	TargetErrorD  *float64 `json:"target_error_d"`
	ErrorReason   string   `json:"prediction_error_unknown_because"`
	TargetReason  string   `json:"target_error_unknown_because"`
	InMainFigure  bool     `json:"in_main_figure"` // uncomplicated, in the bag, 6/12 or better
	Uncomplicated bool     `json:"uncomplicated_in_bag"`
}

// induced is the astigmatism that the operation induced in the cornea.
type induced struct {
	Settled     *vector `json:"settled"` // days 28 to 120
	Early       *vector `json:"early"`   // up to day 14: healing
	Reason      string  `json:"settled_unknown_because"`
	MeridianDeg *int64  `json:"main_incision_meridian_deg"`
}

// vector is a point of the double-angle plane and what it stands for.
type vector struct {
	measure.DoubleAngle
	measure.Astigmatism
}

type endophthalmitis struct {
	On        string `json:"on"`
	Certainty string `json:"certainty"`
}

// eyeOutcomeOf is nil for what is no operation or stays out of the benchmarks.
func eyeOutcomeOf(c fold.Case, row outcome.Row) (*eyeOutcome, error) {
	e, ok := outcome.EyeOf(c, row)
	if !ok {
		return nil, nil
	}
	out := &eyeOutcome{SecondEye: e.SecondEye, Copathology: e.Copathology, VisualLoss: e.VisualLoss, VisionReason: e.VisionReason,
		Complications: e.Complications, Findings: e.Findings, Returned: e.Returned, UnplannedAttendance: e.UnplannedAttendance, FollowupClosed: e.FollowupClosed,
		Refraction: eyeRefraction{On: dayOf(e.RefractionOn), AchievedD: scaled(e.AchievedThousandths, 1000), PredictedD: scaled(e.PredictedHundredths, 100),
			TargetD: scaled(e.TargetHundredths, 100), ErrorD: scaled(e.ErrorThousandths, 1000), TargetErrorD: scaled(e.TargetErrorThousandths, 1000),
			ErrorReason: e.RefractionReason, TargetReason: e.TargetReason, InMainFigure: e.ErrorThousandths != nil && e.Main(), Uncomplicated: e.UncomplicatedInBag},
		Induced: induced{Reason: e.SiaReason, MeridianDeg: e.IncisionMeridianDeg},
	}
	if on := dayOf(e.BeforeOn); on != nil {
		out.Before = &countedAcuity{*on, unaided{e.BeforeHundredths, e.BeforeLowVision}, e.BeforeConvention, e.BeforeCorrection}
	}
	if on := dayOf(e.AfterOn); on != nil {
		out.After = &countedAcuity{*on, unaided{e.AfterHundredths, e.AfterLowVision}, e.AfterConvention, e.AfterCorrection}
	}
	if e.AfterUnaidedHundredths != nil || e.AfterUnaidedLowVision != "" {
		out.Unaided = &unaided{e.AfterUnaidedHundredths, e.AfterUnaidedLowVision}
	}
	if on := dayOf(e.EndophthalmitisOn); on != nil {
		out.Endophthalmitis = &endophthalmitis{*on, e.EndophthalmitisCertainty}
	}
	var err error
	if out.Induced.Settled, err = vectorOf(e.SiaXMicro, e.SiaYMicro); err != nil {
		return nil, err
	}
	out.Induced.Early, err = vectorOf(e.SiaEarlyXMicro, e.SiaEarlyYMicro)
	return out, err
}

func vectorOf(x, y *int64) (*vector, error) {
	if x == nil || y == nil {
		return nil, nil
	}
	point := measure.DoubleAngle{X: float64(*x) / 1e6, Y: float64(*y) / 1e6}
	a, err := point.Astigmatism()
	if err != nil {
		return nil, fmt.Errorf("induced astigmatism of a case: %w", err)
	}
	return &vector{point, a}, nil
}

func dayOf(t *time.Time) *string {
	if t == nil {
		return nil
	}
	day := t.Format(time.DateOnly)
	return &day
}

func scaled(n *int64, by float64) *float64 {
	if n == nil {
		return nil
	}
	x := float64(*n) / by
	return &x
}
