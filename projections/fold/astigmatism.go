package fold

import "lensledger/events"

// KeratometryBefore is the corneal power last measured before the operation.
func (c Case) KeratometryBefore() *events.Keratometry {
	var last *events.Keratometry
	for _, a := range c.Assessments {
		if a.Keratometry != nil && !a.At.After(c.StartedAt) {
			last = a.Keratometry
		}
	}
	return last
}

// KeratometryEarly is the corneal power last measured up to day 14: of the
// healing eye, no outcome.
func (c Case) KeratometryEarly() *events.Keratometry { return c.keratometry(0, EarlyToDay) }

// KeratometrySettled is the corneal power last measured in days 28 to 120. A
// wound distorts the cornea for one to three weeks; common practice, no source.
func (c Case) KeratometrySettled() *events.Keratometry {
	return c.keratometry(SettledFromDay, SettledToDay)
}

func (c Case) keratometry(from, to int) *events.Keratometry {
	var last *events.Keratometry
	for i := range c.Keratometries {
		v := &c.Keratometries[i]
		if c.within(v.At, from, to) && c.beforeLaterProcedure(v.At) {
			last = &v.Keratometry
		}
	}
	return last
}

// MainIncision is the meridian of the main incision in degrees.
func (c Case) MainIncision() events.Opt[int64] {
	for _, i := range c.Incisions {
		if i.Kind == events.IncisionMain && i.MeridianDeg.Known {
			return i.MeridianDeg
		}
	}
	return events.Opt[int64]{}
}

// AxialLength is the length of the eye in micrometres, last measured before the
// operation.
func (c Case) AxialLength() events.Opt[int64] {
	var last events.Opt[int64]
	for _, a := range c.Assessments {
		if a.AxialLengthUM.Known && !a.At.After(c.StartedAt) {
			last = a.AxialLengthUM
		}
	}
	return last
}
