package alarm

import (
	"cmp"
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
	Largest  []Point // the largest contributions first, at most MostContributions
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
	}
	slices.SortStableFunc(moved, func(a, b Point) int { return cmp.Compare(b.Score, a.Score) })
	out.Largest = moved[:min(MostContributions, len(moved)):min(MostContributions, len(moved))]
	return out
}
