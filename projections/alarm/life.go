package alarm

import (
	"cmp"
	"slices"
	"time"
)

// Listed is an alarm with what people made of it. Handling and Reviews stand in
// the order of their times.
type Listed struct {
	Row
	FirstKnown *uint64    // position when it was announced; nil when it came with a rebuild
	KnownAt    *time.Time // when that was recorded; nil when it came with a rebuild
	Handling   []HandlingRow
	Reviews    []ReviewRow
	Restarted  bool // the chart has begun again since
}

// Life is how far a signal has come. It follows from what was recorded about it
// and never from the chart: whoever acknowledges a signal or takes it in hand
// doesn't move the chart.
type Life string

// The stations of a signal, in their usual order; any may be left out. One that
// was closed stays closed, whatever is recorded later.
const (
	LifeCrossed      Life = "crossed"      // nobody has said anything about it
	LifeAcknowledged Life = "acknowledged" // somebody has seen it
	LifeUnderReview  Life = "under-review" // it has an owner and a date
	LifeClosed       Life = "closed"       // reviewed, with a finding; the chart goes on
	LifeRestarted    Life = "restarted"    // the chart has begun again since
)

// Lives lists the stations of a signal.
var Lives = []Life{LifeCrossed, LifeAcknowledged, LifeUnderReview, LifeClosed, LifeRestarted}

// Life says how far the signal has come.
func (l Listed) Life() Life {
	switch {
	case l.Restarted:
		return LifeRestarted
	case len(l.Reviews) > 0:
		return LifeClosed
	case l.Assignment() != nil:
		return LifeUnderReview
	case len(l.Handling) > 0:
		return LifeAcknowledged
	}
	return LifeCrossed
}

// Open says that nobody has closed the signal yet.
func (l Listed) Open() bool { return !l.Restarted && len(l.Reviews) == 0 }

// Assignment is the latest: who has the signal in hand, and until when. It is nil
// where it was given to nobody.
func (l Listed) Assignment() *HandlingRow {
	for i := len(l.Handling) - 1; i >= 0; i-- {
		if l.Handling[i].Did == Assigned {
			return &l.Handling[i]
		}
	}
	return nil
}

// Overdue says that an open signal's date was before a day, "2025-06-30".
func (l Listed) Overdue(day string) bool {
	a := l.Assignment()
	return l.Open() && a != nil && a.DueOn < day
}

// Deed is one thing that somebody did about a signal.
type Deed struct {
	Alarm   string
	Did     string // Acknowledged, Assigned, Closed or Restarted
	At      time.Time
	By      string
	Note    string // of an acknowledgement
	Owner   string // of an assignment
	DueOn   string // of an assignment: day
	Finding string // of a review or restart
	Action  string
}

// What a review or restart is as a deed.
const (
	Closed    = "closed"
	Restarted = "restarted"
)

// Deeds lists who did what about the signal and when, in the order of time.
func (l Listed) Deeds() []Deed {
	out := make([]Deed, 0, len(l.Handling)+len(l.Reviews))
	for _, h := range l.Handling {
		out = append(out, Deed{Alarm: l.Alarm, Did: h.Did, At: h.HandledAt, By: h.HandledBy, Note: h.Note, Owner: h.Owner, DueOn: h.DueOn})
	}
	for _, r := range l.Reviews {
		d := Deed{Alarm: l.Alarm, Did: Closed, At: r.ReviewedAt, By: r.ReviewedBy, Finding: r.Finding, Action: r.Action}
		if r.Restart {
			d.Did = Restarted
		}
		out = append(out, d)
	}
	slices.SortStableFunc(out, func(a, b Deed) int { return a.At.Compare(b.At) })
	return out
}

// Changes are what became of signals since a day, and what stays open. Each list
// holds codes of alarms in the order of the list that they were made of.
type Changes struct {
	Since        string   `json:"since"`        // day, "2025-06-02"
	Crossed      []string `json:"crossed"`      // the crossing case, or the news of it, is from that day on
	Acknowledged []string `json:"acknowledged"` // from that day on
	Assigned     []string `json:"assigned"`
	Closed       []string `json:"closed"`
	Restarted    []string `json:"restarted"`
	Overdue      []string `json:"overdue"`     // open, and their date has passed
	NobodyOwns   []string `json:"nobody_owns"` // open, and given to nobody
}

// ChangesSince sorts signals by what became of them from a day on, and says which
// are open today.
func ChangesSince(listed []Listed, since time.Time, today string) Changes {
	c := Changes{Since: since.Format(time.DateOnly), Crossed: []string{}, Acknowledged: []string{}, Assigned: []string{}, Closed: []string{},
		Restarted: []string{}, Overdue: []string{}, NobodyOwns: []string{}}
	add := func(list *[]string, code string) {
		if len(*list) == 0 || (*list)[len(*list)-1] != code {
			*list = append(*list, code)
		}
	}
	for _, l := range listed {
		if !l.CrossedAt.Before(since) || l.KnownAt != nil && !l.KnownAt.Before(since) {
			add(&c.Crossed, l.Alarm)
		}
		for _, d := range l.Deeds() {
			if d.At.Before(since) {
				continue
			}
			add(map[string]*[]string{Acknowledged: &c.Acknowledged, Assigned: &c.Assigned, Closed: &c.Closed, Restarted: &c.Restarted}[d.Did], l.Alarm)
		}
		if l.Overdue(today) {
			add(&c.Overdue, l.Alarm)
		}
		if l.Open() && l.Assignment() == nil {
			add(&c.NobodyOwns, l.Alarm)
		}
	}
	return c
}

// Urgent sorts signals as they are to be said: overdue ones first, then those that
// nobody owns, then the other open ones, then those that were closed; within each
// the latest crossing first.
func Urgent(listed []Listed, today string) []Listed {
	rank := func(l Listed) int {
		switch {
		case l.Overdue(today):
			return 0
		case l.Open() && l.Assignment() == nil:
			return 1
		case l.Open():
			return 2
		}
		return 3
	}
	out := slices.Clone(listed)
	slices.SortStableFunc(out, func(a, b Listed) int { return cmp.Or(cmp.Compare(rank(a), rank(b)), latestFirst(a.Row, b.Row)) })
	return out
}
