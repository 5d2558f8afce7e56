package simulate

import (
	"fmt"
	"strings"
	"time"

	"lensledger/events"
)

// plan is one invented department.
type plan struct {
	code, prefix string
	share        int     // of six: how a block's operations are divided
	trainee      float64 // share of operations planned for a trainee (clinic rule)
	staff        int     // consultants
	rooms        int
	offset       int // of local time from UTC, in seconds; invented
	followup     followup
	trainees     []enrolment
}

const (
	traineesPerBlock    = 24 // clinic rule
	consultantsPerBlock = 10 + 8 + 5
	operationsPerBlock  = 6000 // clinic rule: 3,000, 2,000 and 1,000
)

// plans are the three departments. Prior cases: none for 8 trainees, 10 to 80
// for 8, 100 to 250 for 5, over 300 for 3 (clinic rule); all the rest invented.
var plans = []plan{
	{"HARBOUR", "HB", 3, 0.55, 10, 2, 0, followup{acuity: 0.88, refraction: 0.78}, []enrolment{
		{9, 0, 4, "specialist-registrar", 0, 100, 0.9, usual},
		{10, 340, 25, "fellow", 0, 100, 0.9, usual},
		{11, 150, 20, "specialist-registrar", 0, 100, 1.5, drifts},
		{12, 45, 18, "specialist-registrar", 0, 100, 0.9, flattens},
		{13, 30, 12, "specialist-registrar", 0, 100, 1.1, improves},
		{14, 0, 0, "specialist-registrar", 0, 100, 1.2, usual},
		{15, 0, 7, "specialist-registrar", 0, 60, 1.1, usual},
		{16, 120, 22, "specialist-registrar", 0, 70, 1.2, usual},
		{17, 20, 15, "specialist-registrar", 0, 100, 0.9, usual},
		{18, 60, 20, "specialist-registrar", 0, 50, 1.4, usual},
		{19, 0, 3, "specialist-registrar", 45, 100, 1.5, usual},
		{20, 210, 30, "specialist-registrar", 30, 100, 1.2, usual},
	}},
	{"MOORLAND", "ML", 2, 0.30, 8, 2, 0, followup{acuity: 0.72, refraction: 0.60}, []enrolment{
		{1, 0, 0, "specialist-registrar", 0, 100, 1, usual},
		{2, 15, 10, "specialist-registrar", 0, 100, 1, usual},
		{3, 180, 20, "specialist-registrar", 0, 100, 1, usual},
		{4, 70, 25, "specialist-registrar", 0, 100, 1, flattens},
		{5, 0, 5, "specialist-registrar", 40, 100, 1.3, usual},
		{6, 420, 40, "fellow", 0, 55, 1.2, usual},
		{7, 0, 2, "specialist-registrar", 0, 100, 1, usual},
		{8, 50, 14, "specialist-registrar", 0, 100, 1, usual},
	}},
	{"FENLAND", "FN", 1, 0.15, 5, 1, 3600, followup{acuity: 0.55, refraction: 0.40, badAcuity: 0.88, plusCylinder: true}, []enrolment{
		{21, 0, 6, "specialist-registrar", 0, 100, 1, usual},
		{22, 35, 16, "specialist-registrar", 0, 100, 1, usual},
		{23, 110, 12, "specialist-registrar", 0, 100, 1, usual},
		{24, 510, 45, "fellow", 0, 100, 1, usual},
	}},
}

// department is a department as the simulation goes along.
type department struct {
	plan
	dice
	seed        uint64
	source      string
	zone        *time.Location
	target      int     // operations to do
	perDay      float64 // bookings per working day
	carried     float64 // part of a booking carried to the next working day
	consultants []*surgeon
	trainees    []*surgeon
	waiting     [groups][]secondEye
	numbered    map[int]int // case codes given out, by year
	patients    int
	cases       int                    // bookings made
	previous    string                 // code of the operation before
	firstCases  map[events.Code]string // case code of a patient's first eye
	endophthal  int                    // cases of endophthalmitis so far
	conflicts   int
	joined      int
	misjoined   int
	truth       DepartmentTruth
	tallied     *tally
}

// newDepartment sets up department number i of a block. From the second block
// on codes carry the block's number, so that no code is used twice.
func newDepartment(seed uint64, block, i, target int, tallied *tally) *department {
	p := plans[i]
	firstConsultant := 1 + block*consultantsPerBlock
	for _, before := range plans[:i] {
		firstConsultant += before.staff
	}
	if block > 0 {
		p.code = fmt.Sprintf("%s-%d", p.code, block+1)
		p.prefix = fmt.Sprintf("%s%d", p.prefix, block+1)
	}
	d := &department{
		plan: p, dice: newDice(seed, uint64(block*len(plans)+i)), target: target, seed: seed,
		source: "ehr-" + strings.ToLower(p.code), zone: time.UTC,
		perDay:   float64(p.share) * bookingsPerDay,
		numbered: map[int]int{}, firstCases: map[events.Code]string{}, tallied: tallied,
	}
	if p.offset != 0 {
		d.zone = time.FixedZone("", p.offset)
	}
	for n := range p.staff {
		d.consultants = append(d.consultants, newConsultant(d.dice, firstConsultant+n))
	}
	for _, e := range p.trainees {
		d.trainees = append(d.trainees, newTrainee(d.dice, e, block))
		s := d.trainees[len(d.trainees)-1]
		s.habits = drawHabits(keyed(seed, string(s.code), "habits"), s.code)
	}
	return d
}

// traineeOn picks the trainee of a list on this share of the calendar, in
// percent, or nil when there is none.
func (d *department) traineeOn(percent int) *surgeon {
	var present []option[*surgeon]
	for _, s := range d.trainees {
		if s.joins <= percent && percent < s.leaves || s.leaves == 100 && percent >= 100 {
			present = append(present, option[*surgeon]{s, s.weight})
		}
	}
	if present == nil {
		return nil
	}
	return pick(d.dice, present)
}

// enrol gives the enrolment of each surgeon, before the calendar begins or three
// weeks before a trainee joins.
func (d *department) enrol() []bundle {
	var out []bundle
	for i, s := range append(append([]*surgeon{}, d.consultants...), d.trainees...) {
		at := calendarDay(s.joins*workingDays/100) - int64(recordLead+7)*daySeconds
		data := &events.SurgeonEnrolled{Post: s.post,
			PriorWholeCases: events.Some(int64(s.prior)), PriorPartCases: events.Some(int64(s.part))}
		if !s.consultant {
			start := time.Unix(at-int64(s.prior+30)*daySeconds, 0).In(d.zone)
			data.TrainingStartedOn = events.Date(start.Format(time.DateOnly))
			data.VerifiedBy = d.consultants[i%len(d.consultants)].code
		}
		r := newRecord(d, string(s.code))
		r.add(at+9*3600+int64(i*60), events.TypeSurgeonEnrolled, data)
		out = append(out, r.bundle())
		if s.code == movedSurgeon {
			m := newBeside(d, string(s.code))
			m.add(movedAt, events.TypeSurgeonMoved, &events.SurgeonMoved{Department: movedTo, FromOn: movedFrom})
			out = append(out, m.bundle())
		}
	}
	return out
}

// One trainee moves (invented), long after the last list with them: no chart and
// no figure of an operation depends on it.
const (
	movedSurgeon = events.Code("S-006")
	movedTo      = events.Code("FENLAND")
	movedFrom    = events.Date("2025-12-15")
)

var movedAt = time.Date(2025, time.December, 1, 9, 0, 0, 0, time.UTC).Unix()

// nextCode gives the next case code of a year, for example HB-2025-00417.
func (d *department) nextCode(year int) string {
	d.numbered[year]++
	return fmt.Sprintf("%s-%d-%05d", d.prefix, year, d.numbered[year])
}
