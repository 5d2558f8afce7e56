package department

import "lensledger/events"

// Complications counts what went wrong, in theatre and after: operations by kind,
// each operation once a kind. Findings depend on follow-up that was recorded, so
// that their share is a lower bound. Endophthalmitis is a count here and a dated
// list elsewhere, never a surgeon's rate; it, returns and attendance stand apart
// from the other findings.
type Complications struct {
	N                   int                      `json:"n"`
	Uncomplicated       Share                    `json:"uncomplicated"`
	ByKind              map[string]CountedFigure `json:"by_kind"`
	Findings            map[string]CountedFigure `json:"findings"`
	Returned            CountedFigure            `json:"returned_to_theatre"`
	UnplannedAttendance CountedFigure            `json:"unplanned_attendance"`
	Endophthalmitis     int                      `json:"endophthalmitis"`
}

func complicationsOf(sums map[string]int64) (Complications, error) {
	n := int(sums[Operations])
	c := Complications{N: n, Endophthalmitis: int(sums[Endophthalmitis42])}
	var err error
	if c.Uncomplicated, err = shareOf(int(sums[Uncomplicated]), n); err != nil {
		return c, err
	}
	if c.ByKind, err = figures(members(sums, ComplicationPrefix), n); err != nil {
		return c, err
	}
	if c.Findings, err = figures(members(sums, FindingPrefix), n); err != nil {
		return c, err
	}
	for _, apart := range []string{Endophthalmitis42, UnplannedAttending, findingReturn} {
		delete(c.Findings, apart)
	}
	if c.Returned, err = counted(int(sums[ReturnedToTheatre]), n); err != nil {
		return c, err
	}
	c.UnplannedAttendance, err = counted(int(sums[UnplannedAttending]), n)
	return c, err
}

// findingReturn is the finding that ReturnedToTheatre counts, beside another
// implant on a later day.
const findingReturn = string(events.FindingReturnToTheatre)

func figures(byKind map[string]int, n int) (map[string]CountedFigure, error) {
	out := make(map[string]CountedFigure, len(byKind))
	for kind, events := range byKind {
		f, err := counted(events, n)
		if err != nil {
			return nil, err
		}
		out[kind] = f
	}
	return out, nil
}
