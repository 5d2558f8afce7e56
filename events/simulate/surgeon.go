package simulate

import (
	"fmt"

	"lensledger/events"
)

// story is a course that differs from the usual one.
type story string

const (
	usual story = ""
	// drifts: 2 % for the first 60 cases on the chart, then 10 % (clinic rule:
	// for 80 or more cases, as less would not signal).
	drifts story = "drifts from 2 to 10 %"
	// improves: 6 % falling in a straight line to 1 % over 100 cases (clinic rule
	// for the two ends; the way between them has no source).
	improves story = "improves from 6 to 1 %"
	// flattens: a tenth of trainees get no faster after case 80 (clinic rule).
	flattens story = "times stay as at case 80"
)

const (
	driftAfter    = 60
	driftBefore   = 0.02
	driftLater    = 0.10
	improveFrom   = 0.06
	improveTo     = 0.01
	improveWithin = 100
	flatAfter     = 80
)

// enrolment is one trainee of the invented staff. joins and leaves are shares of
// the calendar, in percent; weight is the relative number of training lists.
type enrolment struct {
	number        int // S-<number>
	prior, part   int
	post          events.Post
	joins, leaves int
	weight        float64
	story         story
}

// surgeon is a surgeon as the simulation goes along.
type surgeon struct {
	enrolment
	code       events.Code
	consultant bool
	own        float64 // consultant: own probability of rupture
	pace       float64 // own factor on all times
	whole      int     // whole cases done, prior ones added
	charted    int     // cases of this record that were whole or stopped unplanned
	habits     []habit
	truth      SurgeonTruth
}

func newTrainee(d dice, e enrolment, block int) *surgeon {
	e.number += block * traineesPerBlock
	return &surgeon{enrolment: e, code: events.Code(fmt.Sprintf("S-%03d", e.number)), whole: e.prior,
		pace: d.spread(surgeonLogSD)}
}

func newConsultant(d dice, number int) *surgeon {
	return &surgeon{
		enrolment:  enrolment{prior: d.between(2000, 9000), part: 0, post: events.PostConsultant, leaves: 100, weight: 1},
		code:       events.Code(fmt.Sprintf("C-%02d", number)),
		consultant: true,
		own:        consultantRupture * d.spread(consultantRuptureLogSD),
		pace:       d.spread(surgeonLogSD),
	}
}

// ruptureRate is the true probability of a rupture in an eye of mean risk.
func (s *surgeon) ruptureRate() float64 {
	switch {
	case s.consultant:
		return s.own
	case s.story == drifts && s.charted < driftAfter:
		return driftBefore
	case s.story == drifts:
		return driftLater
	case s.story == improves:
		done := float64(min(s.charted, improveWithin)) / improveWithin
		return improveFrom - float64(done*(improveFrom-improveTo))
	}
	return lookUp(ruptureByCases, s.whole)
}

func (s *surgeon) takeoverRate() float64 { return lookUp(takeoverByCases, s.whole) }

func (s *surgeon) times() anchor {
	switch {
	case s.consultant:
		return timesByCases[len(timesByCases)-1]
	case s.story == flattens:
		return timesAt(min(s.whole, flatAfter))
	}
	return timesAt(s.whole)
}

// group is the kind of operator for whom eyes are chosen.
func (s *surgeon) group() group {
	switch {
	case s.consultant:
		return consultants
	case s.whole < beginnerBelow:
		return beginners
	}
	return experienced
}

// supervision by whole cases done (common practice, no source).
func (s *surgeon) supervision() events.Supervision {
	switch {
	case s.consultant:
		return "none"
	case s.whole < 50:
		return "scrubbed"
	case s.whole < 200:
		return "in-theatre"
	}
	return "on-site"
}
