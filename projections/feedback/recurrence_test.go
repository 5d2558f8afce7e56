package feedback

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// story makes a surgeon's cases out of one letter each, in order, one a day:
//
//	x  the point was noted, to be improved
//	s  noted as a strength
//	S  noted as a strength, and named in a review
//	.  somebody looked and noted something else
//	-  nobody looked
//	r  a review named the point
//	R  noted, and named in a review the same day
//	p  another surgeon did the step, somebody looked
//	o  no step recorded, not a whole case, somebody looked
//	w  no step recorded, a whole case, somebody looked
func story(letters string) (done []Done, points []Point, reviews []Review) {
	for i, letter := range letters {
		at := noon.UTC().AddDate(0, 0, i)
		code := fmt.Sprintf("K-%02d", i+1)
		d := Done{CaseCode: code, StartedAt: at, Whole: true, Steps: []string{"capsulorhexis", "sculpting"}}
		say := func(point, polarity string) {
			points = append(points, Point{CaseCode: code, Part: fmt.Sprint(len(points)), Surgeon: "T", StartedAt: at, NotedAt: at.Add(time.Minute),
				Step: "capsulorhexis", TeachingPoint: point, Polarity: polarity, Consequence: "capsule", NotedBy: "C"})
		}
		review := func(named ...string) {
			reviews = append(reviews, Review{CaseCode: code, Part: "1", Surgeon: "T", StartedAt: at, ReviewedAt: at.Add(time.Hour), Trainer: "C", TeachingPoints: named})
		}
		switch letter {
		case 'x':
			say("P", "improve")
		case 's':
			say("P", "strength")
			review()
		case 'S':
			say("P", "strength")
			review("P")
		case '.':
			say("Q", "strength")
		case 'r':
			review("P")
		case 'R':
			say("P", "improve")
			review("P")
		case 'p':
			d.Steps = []string{"sculpting"}
			review()
		case 'o':
			d.Steps, d.Whole = nil, false
			review()
		case 'w':
			d.Steps = nil
			review()
		}
		done = append(done, d)
	}
	return done, points, reviews
}

func TestRecurrence(t *testing.T) {
	for name, test := range map[string]struct {
		story         string
		advised       string // by and case
		before, after Split
		since         int
		state         string
	}{
		"the first note is the advice":           {"..x.", "note K-03", Split{1, 2, 0, 3}, Split{0, 1, 0, 1}, 1, StateTooFew},
		"a review is, when there is one":         {".x.xR..x", "review K-05", Split{3, 2, 0, 5}, Split{1, 2, 0, 3}, 0, StateRecurs},
		"a review alone is one":                  {"..r.", "review K-03", Split{1, 2, 0, 3}, Split{0, 1, 0, 1}, 1, StateTooFew},
		"stopped after ten cases without":        {"x..........", "note K-01", Split{1, 0, 0, 1}, Split{0, 10, 0, 10}, 10, StateStopped},
		"nine are too few":                       {"x.........", "note K-01", Split{1, 0, 0, 1}, Split{0, 9, 0, 9}, 9, StateTooFew},
		"back once, then stopped":                {"x.x..........", "note K-01", Split{1, 0, 0, 1}, Split{1, 11, 0, 12}, 10, StateStopped},
		"back in the last ten":                   {"x..........x.", "note K-01", Split{1, 0, 0, 1}, Split{1, 11, 0, 12}, 1, StateRecurs},
		"cases at which nobody looked":           {"x----------.", "note K-01", Split{1, 0, 0, 1}, Split{0, 1, 10, 1}, 1, StateTooFew},
		"cases in which another did the step":    {"xpppppppppp.", "note K-01", Split{1, 0, 0, 1}, Split{0, 1, 0, 1}, 1, StateTooFew},
		"whole cases where no step is recorded":  {"xwwo", "note K-01", Split{1, 0, 0, 1}, Split{0, 2, 0, 2}, 2, StateTooFew},
		"noted as a strength after":              {"x.s", "note K-01", Split{1, 0, 0, 1}, Split{0, 2, 0, 2}, 2, StateTooFew},
		"a strength that a review names":         {"xS", "note K-01", Split{1, 0, 0, 1}, Split{0, 1, 0, 1}, 1, StateTooFew},
		"ten without before the advice say less": {"x..........R", "review K-12", Split{2, 10, 0, 12}, Split{0, 0, 0, 0}, 0, StateTooFew},
	} {
		done, points, reviews := story(test.story)
		got := Recur(done, points, reviews)
		if len(got) != 1 {
			t.Errorf("%s: %d points: %v", name, len(got), got)
			continue
		}
		r := got[0]
		if by := r.Advised.By + " " + r.Advised.Case; by != test.advised || r.Before != test.before || r.After != test.after || r.SinceLast != test.since || r.State != test.state {
			t.Errorf("%s (%s): advised by %s, before %v, after %v, %d since the last, %s;\nwant %s, %v, %v, %d, %s", name, test.story,
				by, r.Before, r.After, r.SinceLast, r.State, test.advised, test.before, test.after, test.since, test.state)
		}
	}
}

// The numbers of one point in words, and where it was first and last seen.
func TestRecurrenceInWords(t *testing.T) {
	done, points, reviews := story(".x.xR..x-")
	r := Recur(done, points, reviews)[0]
	if r.FirstNoted.Case != "K-02" || r.LastSeen.Case != "K-08" {
		t.Errorf("first noted in %s, last seen in %s", r.FirstNoted.Case, r.LastSeen.Case)
	}
	want := "P: advised in a review on 16 March 2025; noted in 3 of 5 cases before and in 1 of 3 after it " +
		"(1 case without any note or review not counted); last seen on 19 March 2025: recurs."
	if got := r.Words(); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// The counts don't depend on the order in which rows come.
func TestRecurrenceInAnyOrder(t *testing.T) {
	done, points, reviews := story(".x.xR..xs-r.pwo.x...........x")
	want := Recur(done, points, reviews)
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 1))
		r.Shuffle(len(done), func(i, j int) { done[i], done[j] = done[j], done[i] })
		r.Shuffle(len(points), func(i, j int) { points[i], points[j] = points[j], points[i] })
		r.Shuffle(len(reviews), func(i, j int) { reviews[i], reviews[j] = reviews[j], reviews[i] })
		if diff := cmp.Diff(want, Recur(done, points, reviews)); diff != "" {
			t.Fatalf("seed %d: %s", seed, diff)
		}
	}
}

// An operation that stays out of the benchmarks has no chart entry; a point noted
// there counts all the same, and advice that a clock puts before its case is about
// that case.
func TestRecurrenceOutsideTheCharts(t *testing.T) {
	done, points, reviews := story("x.x")
	got := Recur(done[1:], points, reviews)[0]
	if got.Before != (Split{1, 0, 0, 1}) || got.After != (Split{1, 1, 0, 2}) {
		t.Errorf("before %v, after %v", got.Before, got.After)
	}
	points[0].NotedAt = points[0].StartedAt.AddDate(0, 0, -1)
	if got := Recur(done, points, reviews)[0]; got.Before != (Split{1, 0, 0, 1}) {
		t.Errorf("before advice with a clock that is wrong: %v", got.Before)
	}
}

func TestSum(t *testing.T) {
	done, points, reviews := story("x.x-s")
	points[0].Consequence, points[1].Consequence = "none", "refractive"
	f := Sum("T", done, points, reviews)
	want := []Consequences{{"capsule", 1, 1}, {"refractive", 0, 1}, {"none", 1, 0}}
	if diff := cmp.Diff(want, f.Consequences); diff != "" {
		t.Error(diff)
	}
	if f.Operations != 5 || f.Looked != 4 || len(f.Points) != 1 || len(f.Strengths) != 2 {
		t.Errorf("%d operations, %d looked at, %d points, %v", f.Operations, f.Looked, len(f.Points), f.Strengths)
	}
	if s := f.Strengths[0]; s.TeachingPoint != "P" || s.Notes != 1 || s.LastNoted.Case != "K-05" {
		t.Errorf("strength %v", s)
	}
	for _, r := range f.Points {
		if w := r.Words(); strings.Contains(w, "better") || strings.Contains(w, "worse") {
			t.Error(w)
		}
	}
}
