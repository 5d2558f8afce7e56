package fold

import (
	"slices"
	"time"

	"lensledger/events"
)

// SeenAcuity is the acuity that counts, on a calendar date, with the unaided one
// of the same visit; that is nil when it wasn't measured.
type SeenAcuity struct {
	events.Acuity
	On      time.Time
	Unaided *events.Acuity
}

// lowVision lists the words below the chart, best first.
var lowVision = []events.LowVision{"counting-fingers", "hand-movements", "light-perception", NoLightPerception}

// NoLightPerception is the word of an eye that has no sight to lose.
const NoLightPerception events.LowVision = "no-light-perception"

// rank orders acuities, the worse the higher: every word is worse than any
// number of a chart, and words are categories, whatever number a convention gives
// them.
func rank(a events.Acuity) int {
	if a.LogMARHundredths.Known {
		return int(a.LogMARHundredths.Value)
	}
	return 1000 * (1 + slices.Index(lowVision, a.LowVision))
}

// AcuityBefore is the acuity that counts before the operation: of the latest day
// within six months before it on which acuity was measured, the better of
// corrected and unaided; through a pinhole only if neither was.
//
// Source: Sparrow JM, Taylor H, Qureshi K, et al. Eye 2012;26:821-826. The six
// months are common practice, no source.
func (c Case) AcuityBefore() (SeenAcuity, bool) {
	var seen []events.Acuity
	var on time.Time
	first := sixMonthsBefore(c.OperatedOn())
	for _, a := range c.Assessments {
		day := dayOf(a.At)
		if len(a.Acuity) == 0 || a.At.After(c.StartedAt) || day.Before(first) || day.Before(on) {
			continue
		}
		if day.After(on) {
			seen, on = nil, day
		}
		seen = append(seen, a.Acuity...)
	}
	best, ok := bestOf(seen, "corrected", "unaided")
	if !ok {
		best, ok = bestOf(seen, "pinhole")
	}
	return SeenAcuity{best, on, unaidedOf(seen)}, ok
}

// AcuityAfter is the acuity that counts after the operation: the best of
// corrected, unaided and pinhole on the last day with a measurement in days 14 to
// 180.
//
// Source: as for AcuityBefore; the window is common practice, no source.
func (c Case) AcuityAfter() (SeenAcuity, bool) {
	var seen []events.Acuity
	var on time.Time
	for _, v := range c.Acuities {
		day := dayOf(v.At)
		if !c.within(v.At, AcuityFromDay, AcuityToDay) || day.Before(on) {
			continue
		}
		if day.After(on) {
			seen, on = nil, day
		}
		seen = append(seen, v.Acuity...)
	}
	best, ok := bestOf(seen, "corrected", "unaided", "pinhole")
	return SeenAcuity{best, on, unaidedOf(seen)}, ok
}

// bestOf is the best acuity under some corrections; of equals the one whose
// correction is named first.
func bestOf(seen []events.Acuity, corrections ...events.Correction) (events.Acuity, bool) {
	var best events.Acuity
	found := false
	for _, correction := range corrections {
		for _, a := range seen {
			if a.Correction == correction && (!found || rank(a) < rank(best)) {
				best, found = a, true
			}
		}
	}
	return best, found
}

func unaidedOf(seen []events.Acuity) *events.Acuity {
	a, ok := bestOf(seen, "unaided")
	if !ok {
		return nil
	}
	return &a
}

// sixMonthsBefore is the same day six months earlier, or the last day of that
// month where it is shorter.
func sixMonthsBefore(day time.Time) time.Time {
	month := time.Date(day.Year(), day.Month()-6, 1, 0, 0, 0, 0, time.UTC)
	return month.AddDate(0, 0, min(day.Day(), month.AddDate(0, 1, -1).Day())-1)
}

// Copathology says whether the eye has another disease that limits its vision,
// by what was known before the incision: one on the list, glaucoma, or diabetic
// retinopathy. It is known to have none when an empty list was sent, or when
// glaucoma and retinopathy were both ruled out; else it is unknown. Common
// practice, no source.
func (c Case) Copathology() events.Fact {
	p := c.Preop
	switch {
	case p == nil:
		return events.Unknown
	case len(p.OcularCopathology) > 0 || p.Glaucoma == events.Yes || p.DiabeticRetinopathy == events.Yes:
		return events.Yes
	case p.OcularCopathology != nil || p.Glaucoma == events.No && p.DiabeticRetinopathy == events.No:
		return events.No
	}
	return events.Unknown
}

// flagEyes lists bookings that contradict each other: left and right swapped, or
// two patients. The latest booking stands.
func (c *Case) flagEyes() {
	var last *events.CaseBooked
	for _, e := range c.Timeline {
		b, ok := e.Data.(*events.CaseBooked)
		if !ok {
			continue
		}
		if last != nil && last.Eye != b.Eye {
			c.flag("eye-differs", e, "booked for the "+string(b.Eye)+" eye, before that for the "+string(last.Eye)+"; the latest booking stands")
		}
		if last != nil && last.Patient != b.Patient {
			c.flag("patient-differs", e, "booked for another patient than before; the latest booking stands")
		}
		last = b
	}
}
