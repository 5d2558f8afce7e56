package simulate

import (
	"time"

	"lensledger/events"
)

// anaesthesia: topical or intracameral 60, sub-Tenon 36, needle block 2,
// general 2 (clinic rule; the division of the first and third has no source).
var anaesthesia = []option[events.Anaesthesia]{{"topical", 0.45}, {"intracameral", 0.15}, {"sub-tenon", 0.36},
	{"peribulbar", 0.015}, {"retrobulbar", 0.005}, {"general", 0.02}}

// Common practice, no source: shares of consultants' operations that are laser
// assisted or combined with another, and of operations that were recorded.
var (
	laserShare = 0.02
	combined   = []option[events.Combined]{{"", 0.985}, {"vitrectomy", 0.006}, {"glaucoma", 0.006}, {"graft", 0.003}}
	urgencies  = []option[events.Urgency]{{"routine", 0.94}, {"soon", 0.05}, {"urgent", 0.01}}
	recorded   = 0.8
)

// cancellations: common practice, no source, for stage and reason.
var (
	cancelStages  = []option[events.CancelStage]{{events.CancelBeforeTheatre, 0.85}, {events.CancelBeforeIncision, 0.15}}
	cancelReasons = []option[events.CancelReason]{{"patient", 0.35}, {"medical", 0.25}, {"eye", 0.1}, {"list-overrun", 0.2},
		{"equipment", 0.04}, {"staff", 0.06}}
)

// mishap is a complication other than a rupture, with its rate per operation
// and the step in which it is noticed (all common practice, no source).
type mishap struct {
	kind events.ComplicationKind
	rate float64
	step events.Step
}

var mishaps = []mishap{
	{"anterior-tear", 0.009, "capsulorhexis"},
	{"iris-prolapse", 0.005, "hydrodissection"},
	{"iris-trauma", 0.004, "segment-removal"},
	{"zonular-dialysis", 0.003, "segment-removal"},
	{"descemet-detachment", 0.003, "stromal-hydration"},
	{"implant-damaged", 0.0015, "lens-insertion"},
	{events.KindZonuleRupture, 0.001, events.StepCortex}, // without vitreous: no rupture by definition
	{"wound-burn", 0.0005, "sculpting"},
	{"retained-fragment", 0.001, events.StepCortex},
	{"choroidal-effusion", 0.0003, "segment-removal"},
	{"suprachoroidal-haemorrhage", 0.0002, "segment-removal"},
	{events.KindWrongImplant, 0.0002, "lens-insertion"},
}

// Common practice, no source: a rupture with vitreous whose zonule gave way,
// causes left open or undetermined, ruptures first recognised in clinic.
const (
	zonuleShare       = 0.07
	causeLeftOut      = 0.10
	causeUndetermined = 0.05
	lateNoticedShare  = 0.02
)

// booking is what the clinic knows of a case before the day.
type booking struct {
	code       string
	patient    secondEye
	order      events.EyeOrder
	trainee    *surgeon
	consultant *surgeon
	eligible   bool // phacoemulsification alone: counts for benchmarks
	assessed   *events.PreopAssessed
	assessedAt int64
}

// book writes the booking and the assessment of a case whose day begins at
// midnight (Unix seconds).
func (r *record) book(b *booking, midnight int64) {
	d := r.d
	lead := d.between(shortestLead, longestLead)
	first, list := b.consultant, events.ListKind("service")
	if b.trainee != nil {
		first, list = b.trainee, "training"
	}
	data := &events.CaseBooked{
		Patient: b.patient.patient, Eye: b.patient.side, ResponsibleConsultant: b.consultant.code,
		PlannedFirstOperator: first.code, PlannedOn: events.Date(time.Unix(midnight, 0).In(d.zone).Format(time.DateOnly)),
		FirstOrSecondEye: b.order, Procedure: events.ProcedurePhaco, Urgency: pick(d.dice, urgencies), ListKind: list,
	}
	b.eligible = true
	if b.trainee == nil {
		if d.chance(laserShare) {
			data.Procedure = events.ProcedureLaserAssisted
		}
		if with := pick(d.dice, combined); with != "" {
			data.CombinedWith = []events.Combined{with}
			b.eligible = false
		}
	}
	r.add(midnight-int64(lead)*daySeconds+int64(d.between(9*3600, 17*3600)), events.TypeCaseBooked, data)
	assessed := midnight - int64(d.between(2, lead-1))*daySeconds + int64(d.between(9*3600, 17*3600))
	b.assessed, b.assessedAt = d.assess(&b.patient.eye, b.order), assessed
	r.add(assessed, events.TypePreopAssessed, b.assessed)
}

// theatre writes the operation from its start on and gives the time of its end.
func (r *record) theatre(op *operation, start int64) (end int64) {
	d := r.d
	r.add(start, events.TypeCaseStarted, &events.CaseStarted{
		ResponsibleConsultant: op.consultant.code, FirstOperator: op.first.code,
		Supervision: op.first.supervision(), Anaesthesia: []events.Anaesthesia{pick(d.dice, anaesthesia)},
	})
	filmed := d.chance(recorded)
	if filmed {
		op.filmedFrom = start
	}
	others := d.mishaps()
	now := start + int64(d.between(60, 240))
	step := func(at int64, t events.Type, s events.Step, by *surgeon) {
		data := events.StepStarted{Step: s, Operator: by.code, Supervision: by.supervision()}
		if by == op.consultant && op.trainee != nil {
			data.Supervision = "operating"
		}
		if filmed {
			data.RecordingOffsetMS = events.Some((at - start) * 1000)
		}
		if t == events.TypeStepFinished {
			finished := events.StepFinished(data)
			r.add(at, t, &finished)
		} else {
			r.add(at, t, &data)
		}
	}
	for i, run := range op.runs {
		now += run.gap
		op.runs[i].from, op.runs[i].until = now, now+run.seconds
		for _, c := range op.changes {
			if c.at == i && c.planned {
				r.change(now, c, run.step)
			}
		}
		step(now, events.TypeStepStarted, run.step, run.starter)
		for _, m := range others {
			if m.step == run.step {
				r.mishap(now+run.seconds/2, m, run.starter)
				op.mishap = true
			}
		}
		if op.rupture && op.ruptureAt == i {
			r.rupture(op, now+run.seconds*6/10, run)
		}
		for _, c := range op.changes {
			if c.at == i && !c.planned {
				r.change(now+run.seconds*7/10, c, run.step)
			}
		}
		now += run.seconds
		step(now, events.TypeStepFinished, run.step, run.by)
		if run.step == "lens-insertion" {
			op.lens = d.implant(op)
			r.add(now, events.TypeLensImplanted, op.lens)
		}
	}
	now += int64(d.between(30, 120))
	if op.abandoned {
		r.add(now, events.TypeCaseCancelled, &events.CaseCancelled{Stage: events.CancelAfterIncision, Reason: "medical"})
	} else {
		r.add(now, events.TypeCaseFinished, &events.CaseFinished{})
	}
	return now
}

func (r *record) change(at int64, c change, step events.Step) {
	r.add(at, events.TypeOperatorChanged, &events.OperatorChanged{From: c.from.code, To: c.to.code,
		Planned: events.FactOf(c.planned), Reason: c.reason, Step: step})
}

// mishaps draws the other complications of one operation, seldom more than none.
func (d *department) mishaps() []mishap {
	var out []mishap
	for _, m := range mishaps {
		if d.chance(m.rate) {
			out = append(out, m)
		}
	}
	return out
}

func (r *record) mishap(at int64, m mishap, by *surgeon) {
	r.add(at, events.TypeComplicationRecorded, &events.ComplicationRecorded{Kind: m.kind, NoticedInStep: m.step,
		NoticedBy: by.code, CausedInStep: m.step, CausedBy: by.code, Vitreous: events.VitreousNone})
}

// rupture writes a rupture in the hands of whoever began the step, and the
// nucleus it may drop.
func (r *record) rupture(op *operation, at int64, run stepRun) {
	d := r.d
	data := &events.ComplicationRecorded{
		Kind: events.KindCapsuleRupture, NoticedInStep: run.step, NoticedBy: run.starter.code,
		CausedInStep: run.step, CausedBy: run.starter.code, Vitreous: op.vitreous,
	}
	if op.vitreous != events.VitreousNone {
		data.Management = "anterior-vitrectomy"
		if d.chance(zonuleShare) {
			data.Kind = events.KindZonuleRupture
		}
	}
	switch u := d.rand.Float64(); {
	case u < causeLeftOut:
		data.CausedBy, data.CausedInStep = "", ""
	case u < causeLeftOut+causeUndetermined:
		data.CausedBy, data.CausedInStep = events.Undetermined, events.Undetermined
	}
	if !op.takeover && op.vitreous == events.VitreousNone && d.chance(lateNoticedShare/(1-vitreousShare)) {
		data.NoticedInStep, data.NoticedBy = "", op.consultant.code
		at += int64(d.between(1, 14)) * daySeconds
	}
	r.add(at, events.TypeComplicationRecorded, data)
	if d.chance(droppedShare) {
		op.dropped = true
		r.add(at+30, events.TypeComplicationRecorded, &events.ComplicationRecorded{Kind: events.KindDroppedNucleus,
			NoticedInStep: run.step, NoticedBy: run.by.code, CausedInStep: run.step, CausedBy: run.starter.code,
			Vitreous: op.vitreous, Management: "referred for vitrectomy"})
	}
}
