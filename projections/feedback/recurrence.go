package feedback

import (
	"cmp"
	"slices"
	"time"

	"lensledger/events"
)

// QuietCases is how many cases in a row without a point, after the advice, are
// called "stopped". Common practice, no source.
const QuietCases = 10

// Definition is the version of the rules of this package. Any change to a rule of
// Recur or StageOf raises it.
const Definition = "2026-1"

// What became of a teaching point after the advice.
const (
	StateStopped = "stopped" // not in the last QuietCases cases after the advice
	StateRecurs  = "recurs"  // seen after the advice, and not stopped
	StateTooFew  = "too-few" // not seen after the advice, in fewer than QuietCases cases
)

const polarityImprove = string(events.PolarityImprove)

// Done is one operation of a surgeon, for the denominators.
type Done struct {
	CaseCode  string
	StartedAt time.Time
	Whole     bool     // did everything from sculpting through cortex aspiration
	Steps     []string // the steps the surgeon did; none where no step was recorded
}

// Moment is when something was seen or said, and in which case.
type Moment struct {
	At   time.Time `json:"at"`
	Case string    `json:"case"`
}

// Advice is when a point became advice: By is "review" or "note".
type Advice struct {
	Moment
	By  string `json:"by"`
	Who string `json:"who"` // empty when unknown
}

// Split counts cases in which a point could have been noted. Of a case without
// any note or review nobody looked, so it is in neither of the first two.
type Split struct {
	With      int `json:"with"`
	Without   int `json:"without"`
	NotLooked int `json:"not_looked_at"`
	N         int `json:"n"` // with and without
}

// Recurrence is how often one teaching point was noted before and after the
// advice.
type Recurrence struct {
	TeachingPoint string   `json:"teaching_point"`
	Steps         []string `json:"steps"`        // in which it was noted, sorted
	Consequences  []string `json:"consequences"` // that were noted with it, sorted
	FirstNoted    Moment   `json:"first_noted"`
	Advised       Advice   `json:"advised"`
	Before        Split    `json:"before"` // cases begun before the advice, the one it was given on included
	After         Split    `json:"after"`
	LastSeen      Moment   `json:"last_seen"` // the latest case with it
	SinceLast     int      `json:"cases_since_last_seen"`
	State         string   `json:"state"`
}

// Recur counts, for each teaching point to improve, the surgeon's cases with it
// and without it before and after the advice, sorted by when it was first noted,
// then by code. Common practice, no source:
//
//   - A point came up in a case when it was noted there to be improved, or named by
//     a review of the case; unless it was noted there as a strength only.
//   - The advice is the first review that names the point; where none does, the
//     first note, which was then said on the spot.
//   - The denominator is the surgeon's operations in which they did a step for which
//     the point was noted. Where no step is recorded these are the whole cases. A
//     case with the point always belongs to it.
//   - A case counts as without only when somebody looked: it has a note for the
//     surgeon or a review. The others are counted apart, since missing is never
//     success.
//
// The order of the arguments' elements doesn't matter.
func Recur(done []Done, points []Point, reviews []Review) []Recurrence {
	h := newHistory(done, points, reviews)
	out := make([]Recurrence, 0, len(h.codes))
	for _, code := range h.codes {
		out = append(out, h.recurrence(code))
	}
	slices.SortFunc(out, func(a, b Recurrence) int {
		return cmp.Or(a.FirstNoted.At.Compare(b.FirstNoted.At), cmp.Compare(a.TeachingPoint, b.TeachingPoint))
	})
	return out
}

// history is a surgeon's cases with what was said of each.
type history struct {
	done    []Done
	looked  map[string]bool     // by case
	came    map[string][]Moment // by code: when it was noted or named, in order of time
	cases   map[[2]string]bool  // by code and case: it came up there
	points  []Point
	reviews []Review
	codes   []string // that came up, sorted
}

func newHistory(done []Done, points []Point, reviews []Review) *history {
	h := &history{done: slices.Clone(done), points: slices.Clone(points), reviews: slices.Clone(reviews),
		looked: map[string]bool{}, came: map[string][]Moment{}, cases: map[[2]string]bool{}}
	slices.SortFunc(h.points, func(a, b Point) int {
		return cmp.Or(a.NotedAt.Compare(b.NotedAt), cmp.Compare(a.CaseCode, b.CaseCode), cmp.Compare(a.Part, b.Part))
	})
	slices.SortFunc(h.reviews, func(a, b Review) int {
		return cmp.Or(a.ReviewedAt.Compare(b.ReviewedAt), cmp.Compare(a.CaseCode, b.CaseCode), cmp.Compare(a.Part, b.Part))
	})
	known := map[string]bool{}
	for _, d := range h.done {
		known[d.CaseCode] = true
	}
	well := map[[2]string]bool{} // noted as a strength
	for _, p := range h.points {
		h.looked[p.CaseCode] = true
		key := [2]string{p.TeachingPoint, p.CaseCode}
		if p.Polarity == polarityImprove {
			h.see(key, Moment{p.NotedAt, p.CaseCode})
		} else {
			well[key] = true
		}
		// A case that stays out of the benchmarks has no chart entry.
		if !known[p.CaseCode] {
			known[p.CaseCode] = true
			h.done = append(h.done, Done{CaseCode: p.CaseCode, StartedAt: p.StartedAt})
		}
	}
	improve := make(map[[2]string]bool, len(h.cases))
	for key := range h.cases {
		improve[key] = true
	}
	for _, r := range h.reviews {
		h.looked[r.CaseCode] = true
		for _, code := range r.TeachingPoints {
			if key := [2]string{code, r.CaseCode}; improve[key] || !well[key] {
				h.see(key, Moment{r.ReviewedAt, r.CaseCode})
			}
		}
		if !known[r.CaseCode] {
			known[r.CaseCode] = true
			h.done = append(h.done, Done{CaseCode: r.CaseCode, StartedAt: r.StartedAt})
		}
	}
	slices.SortFunc(h.done, func(a, b Done) int {
		return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.CaseCode, b.CaseCode))
	})
	for code, moments := range h.came {
		h.codes = append(h.codes, code)
		slices.SortFunc(moments, func(a, b Moment) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Case, b.Case)) })
	}
	slices.Sort(h.codes)
	return h
}

func (h *history) see(key [2]string, m Moment) {
	h.cases[key] = true
	h.came[key[0]] = append(h.came[key[0]], m)
}

// recurrence counts one point.
func (h *history) recurrence(code string) Recurrence {
	r := Recurrence{TeachingPoint: code, Steps: []string{}, Consequences: []string{}, FirstNoted: h.came[code][0], Advised: h.advice(code)}
	for _, p := range h.points {
		if p.TeachingPoint == code && p.Polarity == polarityImprove {
			r.Steps, r.Consequences = addOnce(r.Steps, p.Step), addOnce(r.Consequences, p.Consequence)
		}
	}
	slices.Sort(r.Steps)
	slices.Sort(r.Consequences)
	advised := r.Advised.At
	for _, d := range h.done {
		// The case that the advice was given on comes before it, whatever the clocks say.
		if d.CaseCode == r.Advised.Case && d.StartedAt.After(advised) {
			advised = d.StartedAt
		}
	}
	quiet := 0 // cases after the advice since the latest with it
	for _, d := range h.done {
		with := h.cases[[2]string{code, d.CaseCode}]
		if !with && !did(d, r.Steps) {
			continue
		}
		split := &r.Before
		if d.StartedAt.After(advised) {
			split = &r.After
		}
		switch {
		case with:
			split.With++
			r.LastSeen, r.SinceLast, quiet = Moment{d.StartedAt, d.CaseCode}, 0, 0
		case h.looked[d.CaseCode]:
			split.Without++
			r.SinceLast++
			if split == &r.After {
				quiet++
			}
		default:
			split.NotLooked++
		}
	}
	r.Before.N, r.After.N = r.Before.With+r.Before.Without, r.After.With+r.After.Without
	switch {
	case quiet >= QuietCases:
		r.State = StateStopped
	case r.After.With > 0:
		r.State = StateRecurs
	default:
		r.State = StateTooFew
	}
	return r
}

// advice is the first review that names a point as one to improve, else its first
// note.
func (h *history) advice(code string) Advice {
	for _, r := range h.reviews {
		if slices.Contains(r.TeachingPoints, code) && h.cases[[2]string{code, r.CaseCode}] {
			return Advice{Moment{r.ReviewedAt, r.CaseCode}, "review", r.Trainer}
		}
	}
	for _, p := range h.points {
		if p.TeachingPoint == code && p.Polarity == polarityImprove {
			return Advice{Moment{p.NotedAt, p.CaseCode}, "note", p.NotedBy}
		}
	}
	return Advice{} // no code comes up without a note or a review
}

// did says whether the surgeon did any of some steps in an operation.
func did(d Done, steps []string) bool {
	if len(d.Steps) == 0 {
		return d.Whole
	}
	return len(steps) == 0 || slices.ContainsFunc(steps, func(s string) bool { return slices.Contains(d.Steps, s) })
}

func addOnce(list []string, s string) []string {
	if s == "" || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}
