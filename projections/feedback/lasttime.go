package feedback

import (
	"cmp"
	"slices"
)

// LastAdvised is a teaching point that was advised before the operation, and what
// became of it in this one.
type LastAdvised struct {
	TeachingPoint string `json:"teaching_point"`
	Advised       Advice `json:"advised"`
	LastSeen      Moment `json:"last_seen"` // before the operation
	State         string `json:"state"`     // as it stood when the operation began
	Here          string `json:"here"`
}

// What became of a point in the case itself.
const (
	HereCameBack = "came-back"
	HereNotNoted = "not-noted"     // somebody looked
	HereUnknown  = "not-looked-at" // the case has no note and no review: missing is never success
)

// lastTime lists the points that were advised before the operation and not
// stopped, or that came back, the latest seen first.
func (s *Stage) lastTime(before []Recurrence, now *history) {
	for _, r := range before {
		p := LastAdvised{TeachingPoint: r.TeachingPoint, Advised: r.Advised, LastSeen: r.LastSeen, State: r.State, Here: HereNotNoted}
		switch {
		case now.cases[[2]string{r.TeachingPoint, s.Case}]:
			p.Here = HereCameBack
		case r.State == StateStopped:
			continue
		case !s.Looked:
			p.Here = HereUnknown
		}
		s.LastTime = append(s.LastTime, p)
	}
	slices.SortFunc(s.LastTime, func(a, b LastAdvised) int {
		return cmp.Or(b.LastSeen.At.Compare(a.LastSeen.At), cmp.Compare(a.TeachingPoint, b.TeachingPoint))
	})
}

// lastReview is the latest review of the surgeon's other operations that was made
// before this one began; nil without one.
func lastReview(e Evidence) *Review {
	var last *Review
	for i, r := range e.Reviews {
		if r.CaseCode != e.Case.Code && r.ReviewedAt.Before(*e.Row.StartedAt) && (last == nil || !r.ReviewedAt.Before(last.ReviewedAt)) {
			last = &e.Reviews[i]
		}
	}
	return last
}
