package portal

import (
	"fmt"
	"math"
	"net/url"
	"slices"

	"lensledger/projections/learning"
	"lensledger/projections/measure"
)

// caseRange is "1 to 10", or "401 on" for the open band.
func caseRange(b measure.CaseBand) string {
	if b.Last == nil {
		return whole(b.First) + " on"
	}
	return whole(b.First) + " to " + whole(*b.Last)
}

func sameBand(b learning.Band) func(measure.BandPercentiles) bool {
	return func(p measure.BandPercentiles) bool { return p.First == b.First && p.Last != nil && *p.Last == b.Last }
}

const timesAreInformation = "Times are information: no target, no alarm."

// stepSection shows each step as it went last: the times of the latest band of case
// numbers beside others, the supervision and the hand-overs.
func stepSection(surgeon string, steps []learning.StepProgress, peers []learning.Peer) sectionView {
	t := tableView{Name: "Steps", None: "No step is recorded yet.",
		Caption: "Each step: its times in the latest band of case numbers beside the middle half of others in the same band, and how it was done",
		Head: []column{{"Step", false}, {"Operations", true}, {"Latest case numbers", false}, {"Own middle half", false}, {"Middle half of others", false},
			{"Least supervision lately", false}, {"Least supervision ever", false}, {"Supervision last time", false}, {"Handed over unplanned", false}}}
	timed := 0
	for _, s := range steps {
		name := sentence(plain(s.Step))
		if s.Critical {
			name += " (critical)"
		}
		band, own, others := "none timed", unknown, "nothing to set beside them"
		if n := len(s.Times.Bands); n > 0 {
			timed++
			last := s.Times.Bands[n-1]
			band, own, others = caseRange(last.CaseBand), ownTimes(last), peerTimes(s.Step, last, peers)
		}
		t.Rows = append(t.Rows, cells(name, whole(s.Cases), band, own, others, latelyWords(s.Lately), reachedWords(s.Reached), supervision(s.Latest), handedOver(s)))
	}
	out := sectionView{Heading: "Steps", Tables: []tableView{t}, Words: []string{timesAreInformation +
		" The middle half of others is shown only where five or more other surgeons did the step at that count; nobody can be read from it.",
		fmt.Sprintf("Lately is in the latest %d operations with the step. The least supervision is that of operations in which the step wasn't handed over unplanned.", learning.LatelyCases)}}
	if timed > 0 {
		out.Drawings = []drawing{{Kind: "step-times", Source: "/v1/surgeons/" + url.PathEscape(surgeon) + "/progress",
			Finding: fmt.Sprintf("Times of %s by case number, beside the middle half of others at the same count where there are five or more.", plural(timed, "step", "steps")),
			Table:   bandTable(steps, peers)}}
	}
	return out
}

// latelyWords say under which supervision a step is done lately, and of how many
// operations that is known.
func latelyWords(l learning.Lately) string {
	if l.Cases == 0 {
		return "none on record"
	}
	out := reachedWords(l.Supervision) + " (of " + whole(l.Cases)
	if l.Failed > 0 {
		out += ", " + whole(l.Failed) + " handed over unplanned"
	}
	if l.Unknown > 0 {
		out += ", " + whole(l.Unknown) + " not known"
	}
	return out + ")"
}

// bandTable lists every step by case number, beside others.
func bandTable(steps []learning.StepProgress, peers []learning.Peer) tableView {
	t := tableView{Name: "Step times by case number", Caption: "Times of each step by case number beside the middle half of others. " + timesAreInformation,
		Head: heads("Step", "Case numbers", "Own middle half", "Middle half of others")}
	for _, s := range steps {
		for _, b := range s.Times.Bands {
			t.Rows = append(t.Rows, cells(sentence(plain(s.Step)), caseRange(b.CaseBand), ownTimes(b), peerTimes(s.Step, b, peers)))
		}
	}
	return t
}

// ownTimes is the middle half of a band's times in seconds.
func ownTimes(b measure.BandPercentiles) string {
	if b.N == 1 {
		return seconds(b.Percentiles[1]) + " (one time)"
	}
	return fmt.Sprintf("%s to %s, median %s (%s)", seconds(b.Percentiles[0]), seconds(b.Percentiles[2]), seconds(b.Percentiles[1]), plural(b.N, "time", "times"))
}

// peerTimes is the middle half of others in the same band, or why it isn't shown.
func peerTimes(step string, b measure.BandPercentiles, peers []learning.Peer) string {
	if b.Last == nil {
		return beyondBands
	}
	at := slices.IndexFunc(peers, func(p learning.Peer) bool { return p.Step == step && p.First == b.First && p.Last == *b.Last })
	if at < 0 || peers[at].Hidden {
		return hiddenOthers
	}
	p := peers[at]
	return fmt.Sprintf("%s to %s (%s)", seconds(*p.Lower), seconds(*p.Upper), plural(*p.Others, "other", "others"))
}

func reachedWords(word string) string {
	if word == "" {
		return "none on record"
	}
	return supervision(word)
}

func handedOver(s learning.StepProgress) string {
	out := whole(s.Failed) + " of " + whole(s.Cases)
	if s.Unknown > 0 {
		out += "; in " + whole(s.Unknown) + " it isn't known"
	}
	return out
}

// timeSection words the curve of the operating time.
func timeSection(c learning.Curve) sectionView {
	t := tableView{Name: "Operating time", Caption: "Operating time of whole cases that the surgeon began, by case number",
		Head: []column{{"Case numbers", false}, {"Operations", true}, {"Middle half", false}, {"Median", true}}, None: "No operating time is known yet."}
	for _, b := range c.Bands {
		t.Rows = append(t.Rows, cells(caseRange(b.CaseBand), whole(b.N), minutes(b.Percentiles[0])+" to "+minutes(b.Percentiles[2])+" min", minutes(b.Percentiles[1])+" min"))
	}
	return sectionView{Heading: "Operating time", Words: curveWords(c), Tables: []tableView{t}}
}

func minutes(m float64) string { return decimal(m, 0) }

// curveWords say which way the times go. Neither fit is made to fall.
func curveWords(c learning.Curve) []string {
	out := []string{timesAreInformation}
	if c.Unknown > 0 {
		out = append(out, sentence(plural(c.Unknown, "whole case has", "whole cases have"))+" no known operating time.")
	}
	if f := c.PowerLaw; f != nil {
		out = append(out, powerLawWords(*f))
	}
	if f := c.Monotone; f != nil && len(f.Steps) > 0 {
		first, last := f.Steps[0], f.Steps[len(f.Steps)-1]
		which := "only becomes longer"
		if f.Falling {
			which = "only becomes shorter"
		}
		if len(f.Steps) == 1 {
			out = append(out, fmt.Sprintf("The best curve that goes one way only is level, at %s min.", minutes(first.Value)))
		} else {
			out = append(out, fmt.Sprintf("Of the curves that go one way only, the one that fits best %s: from %s min at case %s to %s min at case %s.", which,
				minutes(first.Value), whole(first.First), minutes(last.Value), whole(last.Last)))
		}
	}
	if c.PowerLaw == nil && c.Monotone == nil && c.N > 0 {
		out = append(out, "There are too few times, or too much alike, for a curve.")
	}
	return out
}

// powerLawWords say what twice the cases go with, and how sure that is.
func powerLawWords(f measure.PowerLaw) string {
	twice := func(slope float64) float64 { return math.Exp2(slope) - 1 }
	change := func(share float64) string {
		word := "longer"
		if share < 0 {
			share, word = -share, "shorter"
		}
		return percent(share) + " " + word
	}
	out := fmt.Sprintf("By a power law, twice the number of cases goes with times %s (95 %% interval: %s to %s)", change(twice(f.Slope)),
		change(twice(f.Lower)), change(twice(f.Upper)))
	if f.Lower <= 0 && f.Upper >= 0 {
		return out + ": that no change at all fits these times too."
	}
	return out + "."
}
