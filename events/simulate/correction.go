package simulate

import (
	"encoding/json"
	"fmt"

	"lensledger/events"
)

// How often the record goes wrong (clinic rule: about 2 % corrected, a few
// retracted, 0.3 % of events sent twice; the rest common practice, no source).
const (
	amendedShare   = 0.02
	retractedShare = 0.0015 // a complication written into the wrong case
	mistakenShare  = 0.001  // an amendment that was itself wrong, and is taken back
	resentShare    = 0.003
	lateCases      = 0.01 // all theatre events of a case come late
	latestCase     = 14   // days
	correctedUpTo  = 9    // days after the operation
)

// The first department of each block has a few events of the rarer kinds, in
// the first operation at or after these case numbers.
var (
	conflictsFrom = []int{40, 90, 140}   // one identity with two contents, 3 in all
	joinedFrom    = []int{60, 460, 1100} // one operation under two codes
	misjoinedFrom = []int{800}           // two operations joined by mistake, parted again
)

// content gives a payload as the replacement data of an amendment.
func content(t events.Type, payload any) events.Raw {
	var envelope struct{ Data json.RawMessage }
	body := events.Event{Type: t, Data: payload}.Encode()
	if err := json.Unmarshal(body, &envelope); err != nil {
		panic(fmt.Sprintf("simulate: encode %s: %v", t, err)) // the encoder wrote broken JSON
	}
	return events.Raw(envelope.Data)
}

// find gives the first sending of a type, or nil.
func (r *record) find(t events.Type) *sending {
	for i := range r.sendings {
		if r.sendings[i].event.Type == t {
			return &r.sendings[i]
		}
	}
	return nil
}

// amend sends whole new data for an earlier event.
func (r *record) amend(at int64, target events.Event, payload any) events.Event {
	r.d.tallied.Amended++
	return r.replace(at, target, payload)
}

// replace is amend without counting it.
func (r *record) replace(at int64, target events.Event, payload any) events.Event {
	return r.add(at, events.TypeEventAmended, &events.EventAmended{
		TargetSource: events.Code(target.Source), TargetID: events.ID(target.ID), TargetType: target.Type,
		Data: content(target.Type, payload),
	}).event
}

func (r *record) retract(at int64, target events.Event, reason events.Text) {
	r.d.tallied.Retracted++
	r.add(at, events.TypeEventRetracted, &events.EventRetracted{
		TargetSource: events.Code(target.Source), TargetID: events.ID(target.ID), Reason: reason})
}

// correct makes what was sent wrong at first and puts it right up to nine days
// after the end. What stands at last is what truly happened.
func (r *record) correct(op *operation, end int64) {
	d := r.d
	later := func() int64 { return end + int64(d.between(3600, correctedUpTo*daySeconds)) }
	if d.chance(amendedShare) {
		r.misstate(op, later())
	}
	if d.chance(mistakenShare) {
		if s := r.find(events.TypeLensImplanted); s != nil {
			wrong := *s.event.Data.(*events.LensImplanted)
			wrong.PowerD.Value += 50
			amendment := r.amend(later(), s.event, &wrong)
			r.retract(amendment.Time.Unix()+7200, amendment, "the first entry was right")
		}
	}
	if d.chance(retractedShare) {
		stray := r.add(end-60, events.TypeComplicationRecorded, &events.ComplicationRecorded{
			Kind: events.KindCapsuleRupture, NoticedInStep: "segment-removal", NoticedBy: op.first.code,
			CausedInStep: "segment-removal", CausedBy: op.first.code, Vitreous: events.VitreousNone}).event
		r.retract(later(), stray, "entered in the wrong case")
	}
}

// misstate sends one event wrong, and its amendment.
func (r *record) misstate(op *operation, at int64) {
	d := r.d
	kinds := []events.Type{events.TypePreopAssessed, events.TypeLensImplanted, events.TypeCaseStarted}
	s := r.find(kinds[d.between(0, len(kinds)-1)])
	if s == nil { // no implant: nothing to correct
		return
	}
	target, right := s.event, s.event.Data
	switch data := right.(type) {
	case *events.PreopAssessed:
		wrong := *data
		if wrong.AgeYears.Known {
			wrong.AgeYears.Value = wrong.AgeYears.Value%10*10 + wrong.AgeYears.Value/10%10 // digits swapped
		}
		wrong.Pupil = ""
		s.event.Data = &wrong
	case *events.LensImplanted:
		wrong := *data
		wrong.PowerD.Value -= 100
		s.event.Data = &wrong
	case *events.CaseStarted:
		wrong := *data
		wrong.FirstOperator = op.consultant.code
		wrong.Anaesthesia = nil
		s.event.Data = &wrong
	}
	r.amend(at, target, right)
}

// conflict sends another content under the identity of an event already sent.
// The first of the three is settled by an amendment, the others stay open.
func (r *record) conflict(nth int, end int64) {
	var s *sending
	var other any
	switch nth {
	case 0:
		s = r.find(events.TypeLensImplanted)
		data := *s.event.Data.(*events.LensImplanted)
		data.PowerD.Value += 50
		other = &data
	case 1:
		s = r.find(events.TypePreopAssessed)
		data := *s.event.Data.(*events.PreopAssessed)
		data.VitreousOpacities, data.AxialLengthUM = events.Unknown, events.Opt[int64]{}
		data.IntravitrealInjections = events.Some[int64](1)
		other = &data
	default:
		for i := range r.sendings { // the last one
			if r.sendings[i].event.Type == events.TypeStepFinished {
				s = &r.sendings[i]
			}
		}
		data := *s.event.Data.(*events.StepFinished)
		data.Supervision, data.RecordingOffsetMS = "", events.Opt[int64]{}
		other = &data
	}
	first := s.event
	second := *s
	second.event.Data = other
	second.arrival = end + 4*3600
	r.d.tallied.Conflicts++
	if nth == 0 {
		r.amend(end+2*daySeconds, first, first.Data)
	}
	r.extra = append(r.extra, second)
}

// join names another code under which the same operation was written.
func (r *record) join(at int64, other string) events.Event {
	r.d.tallied.Joined++
	return r.add(at, events.TypeCaseJoined, &events.CaseJoined{OtherCase: events.Code(other)}).event
}

// delay makes the theatre events of some cases late, and says by how many seconds.
func (r *record) delay() (by int64) {
	if !r.d.chance(lateCases) {
		return 0
	}
	by = int64(r.d.between(daySeconds, latestCase*daySeconds))
	for i := range r.sendings {
		switch r.sendings[i].event.Type {
		case events.TypeCaseBooked, events.TypePreopAssessed:
		default:
			r.sendings[i].arrival += by
		}
	}
	return by
}

// resend sends some events twice, most within ten minutes, some up to two days later.
func (r *record) resend() {
	for _, s := range r.sendings {
		if !r.dice.chance(resentShare) {
			continue
		}
		wait := r.dice.between(1, 600)
		if r.dice.chance(0.1) {
			wait = r.dice.between(600, 2*daySeconds)
		}
		r.d.tallied.Duplicates++
		s.arrival += int64(wait)
		r.extra = append(r.extra, s)
	}
}
