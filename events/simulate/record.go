package simulate

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"lensledger/events"
)

// sending is one event on its way, with the time of its arrival in Unix seconds.
type sending struct {
	event   events.Event
	arrival int64
}

// record collects the events about one subject, as its publisher makes them.
type record struct {
	d        *department
	dice     dice   // for delays of arrival
	subject  string // of the events added
	stem     string // of their ids
	sendings []sending
	extra    []sending // sent again or with another content, under ids already used
}

func newRecord(d *department, subject string) *record {
	return &record{d: d, dice: d.dice, subject: subject, stem: subject + "-", sendings: make([]sending, 0, 30)}
}

// newBeside starts another record about the same subject, whose events are
// numbered apart ("<subject>-p<n>") and whose delays are drawn apart, so that the
// first record stays as it is whatever this one holds.
func newBeside(d *department, subject string) *record {
	return &record{d: d, dice: keyed(d.seed, subject, "delays"), subject: subject, stem: subject + "-p",
		sendings: make([]sending, 0, 16)}
}

// Delays of arrival (common practice, no source): events come within a minute,
// one in two hundred up to three days late.
const (
	usualDelay = 60
	lateShare  = 0.005
	lateUpTo   = 3 * daySeconds
)

// add appends an event that happens at this time (Unix seconds). Its id is
// <subject>-<n>, numbered in the order of making. The pointer holds until the
// next event is added.
func (r *record) add(at int64, t events.Type, data any) *sending {
	arrival := at + int64(r.dice.between(1, usualDelay))
	if r.dice.chance(lateShare) {
		arrival = at + int64(r.dice.between(3600, lateUpTo))
	}
	r.sendings = append(r.sendings, sending{events.Event{
		ID: r.stem + strconv.Itoa(len(r.sendings)+1), Source: r.d.source, Type: t,
		Subject: r.subject, Department: r.d.code, Time: time.Unix(at, 0).In(r.d.zone), Data: data,
	}, arrival})
	return &r.sendings[len(r.sendings)-1]
}

// bundle is a record in the order of arrival, with a place among the others.
type bundle struct {
	sendings []sending
	next     int
	order    int // breaks ties
}

func (r *record) bundle() bundle {
	r.sendings = append(r.sendings, r.extra...)
	slices.SortStableFunc(r.sendings, func(a, b sending) int { return cmp.Compare(a.arrival, b.arrival) })
	return bundle{sendings: r.sendings}
}

// pad writes n with zeros in front.
func pad(n, width int) string {
	s := strconv.Itoa(n)
	return strings.Repeat("0", max(0, width-len(s))) + s
}
