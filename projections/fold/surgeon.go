package fold

import (
	"cmp"
	"slices"
	"time"

	"lensledger/events"
)

// Surgeon is a surgeon's standing.
type Surgeon struct {
	Code       string
	Trace      Trace
	Enrolled   bool
	Department string // of the latest move, by its date; without one, of the enrolment
	EnrolledIn string // department of the enrolment
	Moves      []Move // by the date from which they hold
	Post       events.Post
	PriorWhole int // whole cases done before the record begins
	PriorPart  int
	Flags      []Flag
}

// Move says that a surgeon works in a department from a date on, which may lie
// ahead.
type Move struct {
	Department string
	FromOn     string // YYYY-MM-DD
}

// DepartmentOn is where the surgeon works on a day: by the latest move up to it,
// else where they were enrolled; empty when neither is known.
func (s Surgeon) DepartmentOn(day time.Time) string {
	department, on := s.EnrolledIn, day.Format(time.DateOnly)
	for _, m := range s.Moves {
		if m.FromOn <= on { // dates of one width: in the order of the calendar
			department = m.Department
		}
	}
	return department
}

// Trainee says whether the surgeon operates under supervision by their post.
// A surgeon who isn't enrolled is judged by the independent setting.
func (s Surgeon) Trainee() bool {
	switch s.Post {
	case "", events.PostConsultant, events.PostAssociateSpecialist, events.PostStaffGrade:
		return false
	}
	return true
}

// FoldSurgeon folds the events of one surgeon: the latest enrolment stands, and
// every move. Of two moves on one date the later event holds.
func FoldSurgeon(subject Subject) Surgeon {
	r := Resolve(subject.Events)
	s := Surgeon{Code: subject.Code, Trace: traceOf([]Subject{subject}), Flags: r.Flags}
	for _, e := range r.Events {
		switch d := e.Data.(type) {
		case *events.SurgeonEnrolled:
			s.Enrolled, s.EnrolledIn, s.Post = true, e.Department, d.Post
			s.PriorWhole, s.PriorPart = int(d.PriorWholeCases.Value), int(d.PriorPartCases.Value)
		case *events.SurgeonMoved:
			s.Moves = append(s.Moves, Move{string(d.Department), string(d.FromOn)})
		}
	}
	slices.SortStableFunc(s.Moves, func(a, b Move) int { return cmp.Compare(a.FromOn, b.FromOn) })
	s.Department = s.EnrolledIn
	if n := len(s.Moves); n > 0 {
		s.Department = s.Moves[n-1].Department
	}
	return s
}
