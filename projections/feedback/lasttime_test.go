package feedback

import (
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// A case on the tenth day after ten others: one point stopped, one stood open, and
// one was advised only afterwards.
func TestLastTime(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2025, 3, n, 9, 0, 0, 0, time.UTC) }
	note := func(code, of string, at time.Time) Point {
		return Point{CaseCode: of, Part: "1", Surgeon: "S-1", StartedAt: at, NotedAt: at.Add(time.Hour), TeachingPoint: code, Polarity: "improve", NotedBy: "C-1"}
	}
	review := func(of string, at time.Time) Review {
		return Review{CaseCode: of, Part: "1", Surgeon: "S-1", StartedAt: at, ReviewedAt: at.Add(2 * time.Hour), Trainer: "C-1", SupervisionNext: "scrubbed"}
	}
	evidence := func(here ...fold.Technique) Evidence {
		c := fold.Case{Code: "NOW", Started: &events.CaseStarted{FirstOperator: "S-1"}, StartedAt: day(14), FinishedAt: day(14).Add(time.Hour), Techniques: here}
		e := Evidence{Case: c, Row: outcome.RowOf(c), RecordSeen: true,
			Points:  []Point{note("gone", "A01", day(1)), note("open", "A02", day(2)), note("later", "A20", day(20))},
			Reviews: []Review{review("A02", day(2)), review("A05", day(5)), review("A13", day(13)), review("A20", day(20))}}
		for n := 1; n <= 13; n++ {
			of := []string{"", "A01", "A02", "A03", "A04", "A05", "A06", "A07", "A08", "A09", "A10", "A11", "A12", "A13"}[n]
			e.Done = append(e.Done, Done{CaseCode: of, StartedAt: day(n), Whole: true})
			e.Points = append(e.Points, Point{CaseCode: of, Part: "9", Surgeon: "S-1", StartedAt: day(n), NotedAt: day(n).Add(time.Hour), TeachingPoint: "steady", Polarity: "strength"})
		}
		e.Points = append(e.Points, note("open", "A08", day(8)))
		return e
	}
	of := func(e Evidence) Stage {
		t.Helper()
		s, err := StageOf(e, Peers{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	noted := func(code string, polarity events.Polarity) fold.Technique {
		return fold.Technique{TechniqueNoted: events.TechniqueNoted{TeachingPoint: events.Code(code), Polarity: polarity}, At: day(14).Add(time.Minute)}
	}

	unseen := of(evidence())
	if len(unseen.LastTime) != 1 || unseen.LastTime[0].TeachingPoint != "open" || unseen.LastTime[0].Here != HereUnknown {
		t.Errorf("of a case that nobody looked at: %+v", unseen.LastTime)
	}
	if got := unseen.LastTime[0].LastSeen; got.Case != "A08" {
		t.Errorf("last seen in %+v", got)
	}
	if r := unseen.LastReview; r == nil || r.CaseCode != "A13" {
		t.Errorf("the last review is %+v", r)
	}
	if got := of(evidence(noted("steady", "strength"))).LastTime; len(got) != 1 || got[0].Here != HereNotNoted {
		t.Errorf("of a case that somebody looked at: %+v", got)
	}
	// What had stopped and came back is there again, the latest seen first.
	got := of(evidence(noted("gone", "improve"), noted("open", "improve"))).LastTime
	if len(got) != 2 || got[0].TeachingPoint != "open" || got[0].Here != HereCameBack || got[1].TeachingPoint != "gone" || got[1].Here != HereCameBack {
		t.Errorf("come back: %+v", got)
	}
	alone := evidence()
	alone.RecordSeen = false
	if s := of(alone); len(s.LastTime) != 0 || s.LastReview != nil {
		t.Errorf("of a surgeon whose record isn't seen: %+v, %+v", s.LastTime, s.LastReview)
	}
}

// What a surgeon was told stands by case, what was said last first, and the points
// of a case in the order of its recording.
func TestReceived(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2025, 3, n, 9, 0, 0, 0, time.UTC) }
	at := func(ms int64) *int64 { return &ms }
	point := func(of, code string, said time.Time, ms *int64) Point {
		return Point{CaseCode: of, StartedAt: day(1), NotedAt: said, TeachingPoint: code, RecordingOffsetMS: ms}
	}
	got := receivedOf([]Review{{CaseCode: "OLD", StartedAt: day(2), ReviewedAt: day(9)}},
		[]Point{point("NEW", "late", day(4), at(9000)), point("NEW", "nowhere", day(4), nil), point("NEW", "early", day(4), at(1000)), point("OLD", "x", day(2), nil)})
	if len(got) != 2 || got[0].CaseCode != "OLD" || !got[0].LastSaid.Equal(day(9)) || got[1].CaseCode != "NEW" {
		t.Fatalf("%+v", got)
	}
	var order string
	for _, p := range got[1].Points {
		order += p.TeachingPoint + " "
	}
	if order != "early late nowhere " {
		t.Errorf("points %s", order)
	}
}
