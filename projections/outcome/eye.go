package outcome

import (
	"math"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/projections/pg"
)

// EyeTable is the eye_outcome table.
var EyeTable = pg.Table{
	Name: "eye_outcome",
	Key:  []string{"case_code"},
	Columns: []string{"case_code", "first_position", "last_position", "departments_seen", "surgeons_seen", "department",
		"people", "patient", "eye", "operated_on", "second_eye", "copathology",
		"before_on", "before_hundredths", "before_low_vision", "before_convention", "before_correction",
		"after_on", "after_hundredths", "after_low_vision", "after_convention", "after_correction",
		"after_unaided_hundredths", "after_unaided_low_vision", "visual_loss", "vision_reason",
		"lens_model", "lens_site", "formula", "biometer", "constant_millionths", "power_hundredths", "predicted_hundredths",
		"target_hundredths", "refraction_on", "achieved_thousandths", "error_thousandths", "target_error_thousandths",
		"refraction_reason", "target_reason", "uncomplicated_in_bag", "axial_length_um", "mean_k_thousandths",
		"sia_x_micro", "sia_y_micro", "sia_early_x_micro", "sia_early_y_micro", "sia_reason", "incision_meridian_deg",
		"complications", "findings", "returned", "unplanned_attendance", "endophthalmitis_on", "endophthalmitis_certainty",
		"followup_closed"},
}

// EyeRow is what one operation came to in the weeks after it. Acuity is in
// hundredths of logMAR or a word below the chart, refraction in hundredths or
// thousandths of a dioptre, astigmatism in millionths. What isn't known is nil.
type EyeRow struct {
	CaseCode        string
	FirstPosition   int64
	LastPosition    int64
	DepartmentsSeen []string
	SurgeonsSeen    []string
	Department      string
	People          []string
	Patient         string
	Eye             string
	OperatedOn      time.Time // local calendar date
	SecondEye       *bool     // as booked
	Copathology     *bool     // another disease limits the vision of the eye

	BeforeOn               *time.Time // acuity before the operation
	BeforeHundredths       *int64
	BeforeLowVision        string
	BeforeConvention       string
	BeforeCorrection       string
	AfterOn                *time.Time // acuity in days 14 to 180
	AfterHundredths        *int64
	AfterLowVision         string
	AfterConvention        string
	AfterCorrection        string
	AfterUnaidedHundredths *int64 // of the same visit
	AfterUnaidedLowVision  string
	VisualLoss             *bool
	VisionReason           string // why there is no VisualLoss

	LensModel              string
	LensSite               string
	Formula                string
	Biometer               string
	ConstantMillionths     *int64
	PowerHundredths        *int64
	PredictedHundredths    *int64 // for the implant in the eye
	TargetHundredths       *int64
	RefractionOn           *time.Time // refraction in days 28 to 120
	AchievedThousandths    *int64     // spherical equivalent
	ErrorThousandths       *int64     // achieved minus predicted
	TargetErrorThousandths *int64     // achieved minus aimed at
	RefractionReason       string     // why there is no ErrorThousandths
	TargetReason           string     // why there is no TargetErrorThousandths
	UncomplicatedInBag     bool
	AxialLengthUM          *int64
	MeanKThousandths       *int64

	SiaXMicro           *int64 // surgically induced astigmatism, settled, of the eye as it is: not mirrored
	SiaYMicro           *int64
	SiaEarlyXMicro      *int64
	SiaEarlyYMicro      *int64
	SiaReason           string // why there is no settled one
	IncisionMeridianDeg *int64

	Complications            []string // kinds, each once, sorted
	Findings                 []string
	Returned                 bool
	UnplannedAttendance      bool
	EndophthalmitisOn        *time.Time // within 42 days
	EndophthalmitisCertainty string
	FollowupClosed           string
}

// Reasons for which it can't be said whether an eye lost vision.
const (
	NoAcuityBefore = "no-acuity-before"
	NoAcuityAfter  = "no-acuity-after-in-window"
	NoAcuityEither = "no-acuity-before-or-after"
	NoLightBefore  = "no-light-perception-before" // nothing to lose: out of the rate
)

// Reasons for which an eye has no induced astigmatism.
const (
	NoKeratometryBefore  = "no-keratometry-before"
	NoKeratometrySettled = "no-settled-keratometry"
	NoMeridian           = "no-meridian"
)

// Key is the case code.
func (e EyeRow) Key() [2]string { return [2]string{e.CaseCode} }

// Values lists the row in the order of EyeTable.Columns.
func (e EyeRow) Values() []any {
	return []any{e.CaseCode, e.FirstPosition, e.LastPosition, e.DepartmentsSeen, e.SurgeonsSeen, e.Department,
		e.People, e.Patient, e.Eye, e.OperatedOn, e.SecondEye, e.Copathology,
		e.BeforeOn, e.BeforeHundredths, e.BeforeLowVision, e.BeforeConvention, e.BeforeCorrection,
		e.AfterOn, e.AfterHundredths, e.AfterLowVision, e.AfterConvention, e.AfterCorrection,
		e.AfterUnaidedHundredths, e.AfterUnaidedLowVision, e.VisualLoss, e.VisionReason,
		e.LensModel, e.LensSite, e.Formula, e.Biometer, e.ConstantMillionths, e.PowerHundredths, e.PredictedHundredths,
		e.TargetHundredths, e.RefractionOn, e.AchievedThousandths, e.ErrorThousandths, e.TargetErrorThousandths,
		e.RefractionReason, e.TargetReason, e.UncomplicatedInBag, e.AxialLengthUM, e.MeanKThousandths,
		e.SiaXMicro, e.SiaYMicro, e.SiaEarlyXMicro, e.SiaEarlyYMicro, e.SiaReason, e.IncisionMeridianDeg,
		e.Complications, e.Findings, e.Returned, e.UnplannedAttendance, e.EndophthalmitisOn, e.EndophthalmitisCertainty,
		e.FollowupClosed}
}

// EyeOf is the eye's row of a folded case and its operation row; false for what
// is no operation or stays out of the benchmarks.
func EyeOf(c fold.Case, r Row) (EyeRow, bool) {
	if !r.Counts || r.Excluded != "" {
		return EyeRow{}, false
	}
	e := EyeRow{CaseCode: r.CaseCode, FirstPosition: r.FirstPosition, LastPosition: r.LastPosition,
		DepartmentsSeen: r.DepartmentsSeen, SurgeonsSeen: r.SurgeonsSeen, Department: r.Department, People: r.People,
		Patient: r.Patient, Eye: r.Eye, OperatedOn: *r.OperatedOn, Copathology: boolOf(c.Copathology()),
		Complications: list(c.ComplicationKinds()), Findings: list(c.FindingKinds()),
		Returned: c.Returned(), UnplannedAttendance: c.Found(events.FindingUnplannedAttendance)}
	if b := c.Booked; b != nil && b.FirstOrSecondEye != "" {
		second := b.FirstOrSecondEye == "second"
		e.SecondEye = &second
	}
	if on, certainty, found := c.Endophthalmitis(); found {
		e.EndophthalmitisOn, e.EndophthalmitisCertainty = &on, string(certainty)
	}
	if c.Closed != nil {
		e.FollowupClosed = string(c.Closed.Reason)
	}
	e.vision(c)
	e.refraction(c)
	e.astigmatism(c)
	return e, true
}

// vision fills in what was seen before and after.
func (e *EyeRow) vision(c fold.Case) {
	before, okBefore := c.AcuityBefore()
	if okBefore {
		e.BeforeOn, e.BeforeHundredths = &before.On, known(before.LogMARHundredths)
		e.BeforeLowVision, e.BeforeConvention = string(before.LowVision), string(before.Convention)
		e.BeforeCorrection = string(before.Correction)
	}
	after, okAfter := c.AcuityAfter()
	if okAfter {
		e.AfterOn, e.AfterHundredths = &after.On, known(after.LogMARHundredths)
		e.AfterLowVision, e.AfterConvention = string(after.LowVision), string(after.Convention)
		e.AfterCorrection = string(after.Correction)
		if u := after.Unaided; u != nil {
			e.AfterUnaidedHundredths, e.AfterUnaidedLowVision = known(u.LogMARHundredths), string(u.LowVision)
		}
	}
	switch {
	case okBefore && before.LowVision == fold.NoLightPerception:
		e.VisionReason = NoLightBefore
	case !okBefore && !okAfter:
		e.VisionReason = NoAcuityEither
	case !okBefore:
		e.VisionReason = NoAcuityBefore
	case !okAfter:
		e.VisionReason = NoAcuityAfter
	default:
		loss, err := measure.VisualLoss(acuityOf(before.Acuity), acuityOf(after.Acuity))
		if err != nil {
			// Words and limits were checked when the events were read.
			panic(err)
		}
		e.VisualLoss = &loss
	}
}

// Convention is the list of numbers in which words below the chart are compared
// with numbers of a chart. The words themselves are categories and are compared
// as such, whatever convention they came under.
const Convention = measure.ConventionA

func acuityOf(a events.Acuity) measure.Acuity {
	if a.LogMARHundredths.Known {
		return measure.Acuity{LogMARHundredths: int(a.LogMARHundredths.Value)}
	}
	word, err := measure.NewLowVision(measure.LowVision(a.LowVision), Convention)
	if err != nil {
		panic(err) // the vocabulary's words are those of the convention: a test holds them together
	}
	return word
}

// refraction fills in the prediction error and the error against the target.
// Spherical equivalents in thousandths of a dioptre are exact: sphere and
// cylinder come in hundredths, in either notation.
func (e *EyeRow) refraction(c fold.Case) {
	if l := c.Lens; l != nil {
		e.LensModel, e.LensSite, e.UncomplicatedInBag = string(l.LensModel), string(l.Site), c.UncomplicatedInBag()
		if l.PowerD.Known {
			e.PowerHundredths = number(int64(l.PowerD.Value))
		}
	}
	if p := c.LensPlanned; p != nil {
		e.Formula, e.Biometer = string(p.Formula), string(p.Biometer)
		if p.Constant.Known {
			e.ConstantMillionths = number(int64(p.Constant.Value))
		}
	}
	e.AxialLengthUM = known(c.AxialLength())
	if k := c.KeratometryBefore(); k != nil {
		e.MeanKThousandths = number(5 * int64(k.K1D+k.K2D))
	}
	candidate, noPrediction := c.Prediction()
	if noPrediction == "" {
		e.PredictedHundredths = number(int64(candidate.PredictedRefractionD.Value))
	}
	target, noTarget := c.Target()
	if noTarget == "" {
		e.TargetHundredths = number(int64(target))
	}
	visit, noRefraction := c.RefractionAfter()
	if noRefraction == "" {
		on := localDate(visit.At)
		e.RefractionOn, e.AchievedThousandths = &on, number(SphericalEquivalent(visit.Refraction))
	}
	e.RefractionReason = first(noRefraction, noPrediction)
	if off, ok := predictionError(c); ok {
		e.ErrorThousandths = &off
	}
	if e.TargetReason = first(noRefraction, noTarget); e.TargetReason == "" {
		e.TargetErrorThousandths = number(*e.AchievedThousandths - 10**e.TargetHundredths)
	}
}

// usualError is the prediction error in thousandths of a dioptre beyond which the
// values are to be looked at again. Common practice, no source.
const usualError = 2000

// predictionError is the error against the prediction for the implant, in
// thousandths of a dioptre.
func predictionError(c fold.Case) (int64, bool) {
	candidate, noPrediction := c.Prediction()
	visit, noRefraction := c.RefractionAfter()
	if !c.Counts() || noPrediction != "" || noRefraction != "" {
		return 0, false
	}
	return SphericalEquivalent(visit.Refraction) - 10*int64(candidate.PredictedRefractionD.Value), true
}

// SphericalEquivalent is the sphere and half of the cylinder in thousandths of a
// dioptre: the same in plus and in minus cylinder.
func SphericalEquivalent(r events.Refraction) int64 {
	return 10*int64(r.SphereD) + 5*int64(r.CylinderD.Value)
}

// astigmatism fills in what the operation induced in the cornea, as measured in
// the eye, by vector difference.
func (e *EyeRow) astigmatism(c fold.Case) {
	e.IncisionMeridianDeg = known(c.MainIncision())
	before, reason := steep(c.KeratometryBefore(), NoKeratometryBefore)
	if reason != "" {
		e.SiaReason = reason
		return
	}
	if early, reason := steep(c.KeratometryEarly(), NoKeratometrySettled); reason == "" {
		e.SiaEarlyXMicro, e.SiaEarlyYMicro = induced(before, early)
	}
	settled, reason := steep(c.KeratometrySettled(), NoKeratometrySettled)
	if e.SiaReason = reason; reason == "" {
		e.SiaXMicro, e.SiaYMicro = induced(before, settled)
	}
}

// steep is the corneal astigmatism: the difference of the two powers at the
// meridian of the greater one. Where only the other meridian was sent it is taken
// to be 90 degrees away.
func steep(k *events.Keratometry, missing string) (measure.Astigmatism, string) {
	if k == nil {
		return measure.Astigmatism{}, missing
	}
	high, low, axis, other := k.K1D, k.K2D, k.K1AxisDeg, k.K2AxisDeg
	if low > high {
		high, low, axis, other = low, high, other, axis
	}
	switch {
	case high == low:
		return measure.Astigmatism{}, ""
	case !axis.Known && !other.Known:
		return measure.Astigmatism{}, NoMeridian
	case !axis.Known:
		axis = events.Some((other.Value + 90) % 180)
	}
	meridian := float64(axis.Value)
	return measure.Astigmatism{Amount: float64(high-low) / 100, Axis: &meridian}, ""
}

func induced(before, after measure.Astigmatism) (x, y *int64) {
	d, err := measure.Induced(before, after)
	if err != nil {
		panic(err) // powers and meridians were checked when the events were read
	}
	return number(int64(math.Round(float64(d.X * 1e6)))), number(int64(math.Round(float64(d.Y * 1e6))))
}

// Main says whether the eye belongs to the main figure of refraction:
// uncomplicated, the implant in the bag, and 6/12 or better after the operation.
//
// Source: Gale RP, Saldana M, Johnston RL, Zuberbuhler B, McKibbin M. Eye
// 2009;23:149-152.
func (e EyeRow) Main() bool {
	return e.UncomplicatedInBag && e.AfterHundredths != nil && *e.AfterHundredths <= goodAcuity
}

// goodAcuity is 6/12 in hundredths of logMAR.
const goodAcuity = 30

// IsSecond says whether the eye was booked as the patient's second one. Figures
// with one eye a patient leave these out; where it isn't known the eye stays in.
func (e EyeRow) IsSecond() bool { return e.SecondEye != nil && *e.SecondEye }

func localDate(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

func known(o events.Opt[int64]) *int64 {
	if !o.Known {
		return nil
	}
	return &o.Value
}

func number(n int64) *int64 { return &n }

func first(reasons ...string) string {
	for _, r := range reasons {
		if r != "" {
			return r
		}
	}
	return ""
}
