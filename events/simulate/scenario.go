package simulate

import (
	"container/heap"
	"iter"
	"time"

	"lensledger/events"
)

// Scenario is one run of the invented registry. Cases is the number of
// operations (from the incision on); cancelled bookings come on top. Up to 6,000
// the calendar just ends earlier; beyond that, each further 6,000 are another
// three departments with staff of their own over the same two years, whose whole
// record arrives after the one before. So memory stays the same however many
// cases there are.
type Scenario struct {
	Seed  uint64
	Cases int
}

// demoSeed was chosen among 300: with it no department is far from what is
// expected of it, the drifting trainee signals, and one chart without any change
// behind it, that of consultant C-16, signals by chance. Chance can be picked,
// not made.
const demoSeed = 280

// Demo is the demonstration: HARBOUR, MOORLAND and FENLAND with 3,000, 2,000 and
// 1,000 operations from January 2024 to December 2025, and 24 trainees. The last
// follow-up arrives in March 2026. All of it is invented.
func Demo() Scenario { return Scenario{Seed: demoSeed, Cases: operationsPerBlock} }

// Events gives the scenario's events in the order in which they arrive, which
// differs from the order in which they happened where one is late. What is held
// in memory is bounded: three departments' events from booking to the last
// follow-up, about seven months, an event until it has been passed on.
func (s Scenario) Events() iter.Seq[events.Event] {
	return func(yield func(events.Event) bool) {
		s.run(&tally{}, func(s sending) bool { return yield(s.event) })
	}
}

// run plays the scenario, block after block, until yield says no.
func (s Scenario) run(t *tally, yield func(sending) bool) {
	for block, left := 0, s.Cases; left > 0; block++ {
		n := min(left, operationsPerBlock)
		left -= n
		if !s.runBlock(block, n, t, yield) {
			return
		}
	}
}

// runBlock plays up to 6,000 operations in three departments.
func (s Scenario) runBlock(block, operations int, t *tally, yield func(sending) bool) bool {
	halves := (operations*3 + 5) / 6
	thirds := (operations*2 + 3) / 6
	targets := [...]int{halves, thirds, operations - halves - thirds}
	var departments []*department
	var q queue
	for i := range plans {
		d := newDepartment(s.Seed, block, i, targets[i], t)
		departments = append(departments, d)
		q.add(d.enrol())
		if block == 0 && i == 0 {
			q.add(d.design())
		}
	}
	for i, day := range calendarDays {
		busy := false
		for _, d := range departments {
			if d.truth.All.Operations < d.target {
				q.add(d.day(i, day))
				busy = true
			}
		}
		if !busy {
			break
		}
		if !q.send(day-recordLead*daySeconds, yield) {
			return false
		}
	}
	if !q.send(1<<62, yield) {
		return false
	}
	for _, d := range departments {
		d.report()
	}
	return true
}

// queue holds records with events still to arrive, the next arrival first.
type queue struct {
	bundles []*bundle
	added   int
}

func (q *queue) add(bundles []bundle) {
	for i := range bundles {
		b := &bundles[i]
		if len(b.sendings) == 0 {
			continue
		}
		b.order = q.added
		q.added++
		heap.Push(q, b)
	}
}

// send passes on the events that arrive before the limit, in Unix seconds.
func (q *queue) send(limit int64, yield func(sending) bool) bool {
	for len(q.bundles) > 0 {
		b := q.bundles[0]
		s := b.sendings[b.next]
		if s.arrival >= limit {
			break
		}
		if !yield(s) {
			return false
		}
		b.sendings[b.next] = sending{} // its content isn't needed any more
		if b.next++; b.next == len(b.sendings) {
			heap.Pop(q)
		} else {
			heap.Fix(q, 0)
		}
	}
	return true
}

func (q *queue) Len() int      { return len(q.bundles) }
func (q *queue) Swap(i, j int) { q.bundles[i], q.bundles[j] = q.bundles[j], q.bundles[i] }
func (q *queue) Push(x any)    { q.bundles = append(q.bundles, x.(*bundle)) }

func (q *queue) Less(i, j int) bool {
	a, b := q.bundles[i], q.bundles[j]
	if x, y := a.sendings[a.next].arrival, b.sendings[b.next].arrival; x != y {
		return x < y
	}
	return a.order < b.order
}

func (q *queue) Pop() any {
	last := len(q.bundles) - 1
	b := q.bundles[last]
	q.bundles[last] = nil
	q.bundles = q.bundles[:last]
	return b
}

// Common practice, no source: lists begin at half past eight or up to a quarter
// of an hour later, and a room takes twelve minutes between two operations.
const (
	listBegins = 8*3600 + 1800
	lateStart  = 900
	turnaround = 12 * 60
)

// day plays a department's lists of one day.
func (d *department) day(i int, midnightUTC int64) []bundle {
	midnight := midnightUTC - int64(d.offset)
	d.carried += d.perDay
	n := int(d.carried)
	d.carried -= float64(n)
	type room struct {
		trainee, consultant *surgeon
		free                int64
	}
	var rooms []room
	first := d.between(0, len(d.consultants)-1)
	for k := range d.rooms {
		rooms = append(rooms, room{d.traineeOn(i * 100 / workingDays),
			d.consultants[(first+k*d.between(1, len(d.consultants)-1))%len(d.consultants)], midnight + listBegins + int64(d.between(0, lateStart))})
	}
	var out []bundle
	for k := range n {
		if d.truth.All.Operations == d.target {
			break
		}
		r := &rooms[k%len(rooms)]
		trainee := r.trainee
		if !d.chance(d.trainee) {
			trainee = nil
		}
		var made []bundle
		made, r.free = d.play(trainee, r.consultant, midnight, r.free)
		out = append(out, made...)
	}
	return out
}

// play plays one booking for this slot: its records, and the time at which the
// room is free again.
func (d *department) play(trainee, consultant *surgeon, midnight, start int64) ([]bundle, int64) {
	d.cases++
	d.truth.Booked++
	year := time.Unix(midnight, 0).In(d.zone).Year()
	b := &booking{code: d.nextCode(year), trainee: trainee, consultant: consultant}
	operator := consultant
	if trainee != nil {
		operator = trainee
	}
	b.patient, b.order = d.patient(operator.group(), midnight)
	if b.order == "first" {
		d.firstCases[b.patient.patient] = b.code
	}
	r := newRecord(d, b.code)
	r.book(b, midnight)
	if d.chance(cancelledShare) {
		d.truth.Cancelled++
		r.add(midnight+int64(d.between(8*3600, 15*3600)), events.TypeCaseCancelled,
			&events.CaseCancelled{Stage: pick(d.dice, cancelStages), Reason: pick(d.dice, cancelReasons)})
		return []bundle{r.bundle()}, start
	}
	op := d.operate(trainee, consultant, b.patient.eye)
	if d.rare(&d.joined, joinedFrom) {
		return d.playTwice(r, op, b, midnight, start)
	}
	end := r.theatre(op, start)
	d.count(op, b)
	switch {
	case r.find(events.TypeLensImplanted) != nil && d.rare(&d.conflicts, conflictsFrom):
		r.conflict(d.conflicts-1, end)
	case d.previous != "" && d.rare(&d.misjoined, misjoinedFrom):
		join := r.join(end+3600, d.previous)
		r.retract(end+20*3600, join, "two operations after all")
	default:
		r.correct(op, end)
	}
	op.learn()
	d.previous = b.code
	late := r.delay()
	r.resend()
	plan := newBeside(d, b.code)
	c := d.newCourse(op, b, b.code, midnight, end)
	c.planLens(plan)
	c.run(plan, late)
	asked := c.question(r)
	return []bundle{r.bundle(), plan.bundle(), asked.bundle()}, end + turnaround
}

// playTwice writes the booking under one code and the operation under another,
// and joins the two the next day.
func (d *department) playTwice(booked *record, op *operation, b *booking, midnight, start int64) ([]bundle, int64) {
	code := d.nextCode(time.Unix(midnight, 0).In(d.zone).Year())
	operated := newRecord(d, code)
	end := operated.theatre(op, start)
	d.count(op, b)
	operated.join(end+daySeconds, b.code)
	op.learn()
	c := d.newCourse(op, b, code, midnight, end)
	plan, course := newBeside(d, b.code), newBeside(d, code)
	c.planLens(plan)
	c.run(course, 0)
	return []bundle{booked.bundle(), operated.bundle(), plan.bundle(), course.bundle()}, end + turnaround
}

// rare says whether the next event of a rare kind is due, and counts it.
func (d *department) rare(done *int, from []int) bool {
	if d.share != plans[0].share || *done == len(from) || d.cases < from[*done] {
		return false
	}
	*done++
	return true
}

// design is an example of a chart set for one trainee: competence for capsule
// rupture, acceptable 5 %, unacceptable 10 %, at most one inadequate trainee in
// ten crosses within 100 cases (clinic rule).
func (d *department) design() []bundle {
	r := newRecord(d, "DEMO-DESIGN-1")
	r.add(firstDay-10*daySeconds, events.TypeChartDesigned, &events.ChartDesigned{
		Outcome: events.OutcomeCapsuleRupture, Kind: events.KindCompetence, Scope: "S-014",
		Acceptable: 50_000, Unacceptable: 100_000, Threshold: 2_420_000,
		ChosenBy:         "Invented: an inadequate trainee crosses within 100 cases with a chance of at most 10 %",
		ClosesAfterCases: events.Some[int64](100),
	})
	return []bundle{r.bundle()}
}
