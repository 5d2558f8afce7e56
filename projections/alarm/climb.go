package alarm

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Climb is how a chart came to where it stands: the cases since it last stood at
// zero, whose scores add up to its value.
type Climb struct {
	From     *time.Time // start of the first of them; nil where the chart stands at zero
	Cases    int
	Events   int
	Expected float64
	With     float64 // what the cases with the event add up to
	Without  float64 // and those without it
	Largest  []Point // the largest contributions first, up or down; at most MostContributions
}

// MostContributions bounds the cases that are listed of a climb.
const MostContributions = 20

// Climb gives how the chart came to where it stands. Of equal contributions the
// earlier case stands first.
func (c Chart) Climb() Climb { return climb(c.Points) }

func climb(points []Point) Climb {
	begins := len(points)
	for begins > 0 && points[begins-1].Value > 0 {
		begins--
		if points[begins].Restarted {
			break
		}
	}
	out := Climb{Largest: []Point{}}
	if begins == len(points) {
		return out
	}
	moved := slices.Clone(points[begins:])
	from := moved[0].StartedAt
	out.From, out.Cases = &from, len(moved)
	for _, p := range moved {
		out.Events += p.Outcome
		out.Expected += p.Expected
		if p.Outcome == 1 {
			out.With += p.Score
		} else {
			out.Without += p.Score
		}
	}
	slices.SortStableFunc(moved, func(a, b Point) int { return cmp.Compare(math.Abs(b.Score), math.Abs(a.Score)) })
	out.Largest = moved[:min(MostContributions, len(moved)):min(MostContributions, len(moved))]
	return out
}
