package fold

import "lensledger/events"

// Surgeon is a surgeon's standing.
type Surgeon struct {
	Code       string
	Trace      Trace
	Enrolled   bool
	Department string
	Post       events.Post
	PriorWhole int // whole cases done before the record begins
	PriorPart  int
	Flags      []Flag
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

// FoldSurgeon folds the events of one surgeon: the latest enrolment stands.
func FoldSurgeon(subject Subject) Surgeon {
	r := Resolve(subject.Events)
	s := Surgeon{Code: subject.Code, Trace: traceOf([]Subject{subject}), Flags: r.Flags}
	for _, e := range r.Events {
		if d, ok := e.Data.(*events.SurgeonEnrolled); ok {
			s.Enrolled, s.Department, s.Post = true, e.Department, d.Post
			s.PriorWhole, s.PriorPart = int(d.PriorWholeCases.Value), int(d.PriorPartCases.Value)
		}
	}
	return s
}
