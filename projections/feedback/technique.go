package feedback

import (
	"cmp"
	"slices"

	"lensledger/events"
	"lensledger/projections/fold"
)

// consequenceOrder lists the consequences from those that reach deepest to none.
// Common practice, no source; a consequence that isn't here comes last.
var consequenceOrder = []string{"capsule", "zonule", "infection", "endothelium", "iris", "wound-leak", "refractive",
	"visibility", "comfort", "cosmetic", "none", ""}

func byConsequence(a, b string) int {
	return cmp.Or(consequenceRank(a)-consequenceRank(b), cmp.Compare(a, b))
}

func consequenceRank(word string) int {
	if i := slices.Index(consequenceOrder, word); i >= 0 {
		return i
	}
	return len(consequenceOrder)
}

// points groups the case's teaching points by consequence, says which came back
// after advice, and lists those advised before that were not noted here. What was
// advised before is judged by what was said before the operation began.
func (s *Stage) points(e Evidence) {
	s.Points, s.CameBack, s.NotNoted, s.LastTime = []PointGroup{}, []string{}, []Open{}, []LastAdvised{}
	noted := PointsOf(e.Case, e.Row)
	s.Looked = len(noted) > 0 || len(s.Reviews) > 0
	var before []Recurrence
	if e.RecordSeen {
		before = recurBefore(e)
		s.LastReview = lastReview(e)
	}
	for _, p := range noted {
		point := StagePoint{Point: p}
		if p.Surgeon == s.Surgeon {
			if i := slices.IndexFunc(before, func(r Recurrence) bool { return r.TeachingPoint == p.TeachingPoint }); i >= 0 {
				point.Advised = &before[i].Advised
				point.CameBack = p.Polarity == polarityImprove
			}
		}
		i := slices.IndexFunc(s.Points, func(g PointGroup) bool { return g.Consequence == p.Consequence })
		if i < 0 {
			i = len(s.Points)
			s.Points = append(s.Points, PointGroup{Consequence: p.Consequence})
		}
		s.Points[i].Points = append(s.Points[i].Points, point)
	}
	slices.SortFunc(s.Points, func(a, b PointGroup) int { return byConsequence(a.Consequence, b.Consequence) })
	now := newHistory(nil, pointsFor(noted, s.Surgeon), s.Reviews)
	s.lastTime(before, now)
	if !s.Looked {
		return
	}
	for _, r := range before {
		switch {
		case now.cases[[2]string{r.TeachingPoint, s.Case}]:
			s.CameBack = append(s.CameBack, r.TeachingPoint)
		case r.State != StateStopped:
			s.NotNoted = append(s.NotNoted, Open{r.TeachingPoint, r.Advised, r.LastSeen})
		}
	}
	slices.Sort(s.CameBack)
}

// pointsFor leaves the points for one surgeon.
func pointsFor(points []Point, surgeon string) []Point {
	return slices.DeleteFunc(slices.Clone(points), func(p Point) bool { return p.Surgeon != surgeon })
}

// recurBefore counts the points as they stood when the operation began.
func recurBefore(e Evidence) []Recurrence {
	at := *e.Row.StartedAt
	var done []Done
	for _, d := range e.Done {
		if d.CaseCode != e.Case.Code && d.StartedAt.Before(at) {
			done = append(done, d)
		}
	}
	var points []Point
	for _, p := range e.Points {
		if p.CaseCode != e.Case.Code && p.NotedAt.Before(at) {
			points = append(points, p)
		}
	}
	var reviews []Review
	for _, r := range e.Reviews {
		if r.CaseCode != e.Case.Code && r.ReviewedAt.Before(at) {
			reviews = append(reviews, r)
		}
	}
	return Recur(done, points, reviews)
}

// What is right for a capsulorhexis: about 5 mm under an optic of 6 mm, so that its
// edge covers the optic all round by 0.5 mm. The usual range is that outside which
// a measurement is to be confirmed. Common practice, no source.
const (
	rhexisLeastUM    = 4500
	rhexisGreatestUM = 5800
)

// Rhexis is the capsulorhexis beside the optic. Diameters are in micrometres. The
// covers are those by which the edge reaches over the optic if it is centred, along
// the greatest and the least diameter; negative where it doesn't reach.
type Rhexis struct {
	LeastUM      *int64 `json:"least_diameter_um"`
	GreatestUM   *int64 `json:"greatest_diameter_um"`
	OpticUM      *int64 `json:"optic_um"`
	CoverLeastUM *int64 `json:"cover_least_um"` // (optic - greatest diameter) / 2
	CoverMostUM  *int64 `json:"cover_most_um"`  // (optic - least diameter) / 2
	Overlap      string `json:"overlap"`        // as recorded: complete, partial, or empty
	// Covers says whether the edge covers the optic all round: by the recorded
	// overlap, else by the greatest diameter, as if it were centred.
	Covers *bool `json:"covers_all_round"`
	// Usual says whether both diameters are within 4.5 to 5.8 mm.
	Usual *bool `json:"usual_size"`
}

func rhexisOf(c fold.Case) *Rhexis {
	r := Rhexis{}
	for _, m := range c.Measurements { // the latest of each stands
		value := m.ValueUM
		switch m.What {
		case events.MeasurementRhexisLeast:
			r.LeastUM = &value
		case events.MeasurementRhexisGreatest:
			r.GreatestUM = &value
		}
	}
	if l := c.Lens; l != nil {
		r.Overlap = string(l.RhexisOverlap)
		if l.OpticUM.Known {
			optic := l.OpticUM.Value
			r.OpticUM = &optic
		}
	}
	if r.LeastUM == nil && r.GreatestUM == nil && r.Overlap == "" {
		return nil
	}
	r.CoverLeastUM, r.CoverMostUM = cover(r.OpticUM, r.GreatestUM), cover(r.OpticUM, r.LeastUM)
	switch {
	case r.Overlap != "":
		r.Covers = yes(r.Overlap == "complete")
	case r.CoverLeastUM != nil:
		r.Covers = yes(*r.CoverLeastUM > 0)
	}
	if r.LeastUM != nil && r.GreatestUM != nil {
		r.Usual = yes(*r.LeastUM >= rhexisLeastUM && *r.GreatestUM <= rhexisGreatestUM)
	}
	return &r
}

func yes(b bool) *bool { return &b }

func cover(optic, diameter *int64) *int64 {
	if optic == nil || diameter == nil {
		return nil
	}
	reach := (*optic - *diameter) / 2
	return &reach
}

// minOwn is how many earlier operations a middle half of the surgeon's own needs.
// Common practice, no source.
const minOwn = 8

// CaseMix sets the expected risk of capsule rupture of this eye, a probability from
// 0 to 1, beside the middle half of the surgeon's own latest operations before it,
// and its composite odds ratio beside that of others at the same count.
type CaseMix struct {
	Risk      float64  `json:"risk"`
	OddsRatio float64  `json:"composite_odds_ratio"`
	Unknown   []string `json:"unknown"`
	Own       *Own     `json:"own_latest"` // null when there are fewer than 8
	Compared  string   `json:"compared_with_own"`
	Others    *Band    `json:"others"` // null when hidden
	Beside    string   `json:"compared_with_others"`
}

// Own is the middle half of the surgeon's own latest operations.
type Own struct {
	N      int     `json:"n"`
	Lower  float64 `json:"lower_quartile"`
	Median float64 `json:"median"`
	Upper  float64 `json:"upper_quartile"`
}

func caseMixOf(e Evidence, number *int, peers Peers) (CaseMix, error) {
	m := CaseMix{Risk: float64(e.Row.ExpectedNano) / 1e9, OddsRatio: events.Millionths(e.Row.OddsRatioMillionths).Float(),
		Unknown: e.Row.UnknownFactors}
	if number == nil {
		return m, nil
	}
	if len(e.Earlier) >= minOwn {
		risks := make([]float64, len(e.Earlier))
		for i, x := range e.Earlier {
			risks[i] = float64(x.ExpectedNano) / 1e9
		}
		own := Own{N: len(risks)}
		var err error
		if own.Lower, own.Median, own.Upper, err = quartiles(risks); err != nil {
			return m, err
		}
		m.Own, m.Compared = &own, place(m.Risk, own.Lower, own.Upper, Below, As, Above)
	}
	if peers.CaseMix != nil {
		band, err := peers.CaseMix(*number)
		if err != nil {
			return m, err
		}
		if band.Others >= MinOthers {
			m.Others, m.Beside = &band, place(m.OddsRatio, band.Lower, band.Upper, Below, As, Above)
		}
	}
	return m, nil
}
