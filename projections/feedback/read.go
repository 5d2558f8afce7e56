package feedback

import (
	"cmp"
	"context"
	_ "embed"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/all_points.sql
	allPointsSQL string
	//go:embed sql/standing_points.sql
	standingPointsSQL string
	//go:embed sql/all_reviews.sql
	allReviewsSQL string
	//go:embed sql/standing_reviews.sql
	standingReviewsSQL string
	//go:embed sql/list_waiting.sql
	listWaitingSQL string
)

// Feedback is what was said about a surgeon's operations, counted.
type Feedback struct {
	Surgeon      string         `json:"surgeon"`
	Definition   string         `json:"definition"`
	Operations   int            `json:"operations"` // with a part in the surgeon's charts
	Looked       int            `json:"looked_at"`  // of all operations, those with a note for the surgeon or a review
	Consequences []Consequences `json:"by_consequence"`
	Points       []Recurrence   `json:"teaching_points"` // those to improve
	Strengths    []Strength     `json:"strengths"`
}

// Consequences counts the notes with one consequence.
type Consequences struct {
	Consequence string `json:"consequence"` // empty when not recorded
	Improve     int    `json:"improve"`
	Strength    int    `json:"strength"`
}

// Strength is a teaching point noted as a strength.
type Strength struct {
	TeachingPoint string `json:"teaching_point"`
	Notes         int    `json:"notes"`
	LastNoted     Moment `json:"last_noted"`
}

// Points reads a surgeon's teaching points and how often each came back, as of a
// position. The reader has to see the whole of the surgeon: of one who only
// shared a case with the reader it would be a part, and mislead.
func Points(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (Feedback, error) {
	entries, err := learning.Entries(ctx, tx, surgeon, asOf)
	if err != nil {
		return Feedback{}, err
	}
	said, err := readSaid(ctx, tx, surgeon, asOf, entries)
	if err != nil {
		return Feedback{}, err
	}
	return Sum(surgeon, said.done, said.points, said.reviews), nil
}

// said is everything that Recur needs about a surgeon.
type said struct {
	done    []Done
	points  []Point
	reviews []Review
}

func readSaid(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, entries []learning.Entry) (said, error) {
	steps, err := learning.StepEntries(ctx, tx, surgeon, asOf)
	if err != nil {
		return said{}, err
	}
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return said{}, err
	}
	s := said{done: DoneOf(entries, steps)}
	if s.points, err = readPoints(ctx, tx, surgeon, asOf, straddling); err != nil {
		return said{}, err
	}
	s.reviews, err = readReviews(ctx, tx, surgeon, asOf, straddling)
	return s, err
}

// straddlingOf folds the surgeon's cases that a past position cuts in two.
func straddlingOf(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]fold.Case, error) {
	if !asOf.Past {
		return nil, nil
	}
	return outcome.StraddlingOf(ctx, tx, surgeon, asOf)
}

// DoneOf lists a surgeon's operations as they enter denominators, from the chart
// entries and the steps.
func DoneOf(entries []learning.Entry, steps []learning.StepEntry) []Done {
	did := make(map[string][]string, len(steps))
	for _, s := range steps {
		did[s.CaseCode] = s.Steps
	}
	out := make([]Done, len(entries))
	for i, e := range entries {
		out[i] = Done{CaseCode: e.CaseCode, StartedAt: e.StartedAt, Whole: e.Whole, Steps: did[e.CaseCode]}
	}
	return out
}

// Sum counts a surgeon's points, reviews and operations.
func Sum(surgeon string, done []Done, points []Point, reviews []Review) Feedback {
	f := Feedback{Surgeon: surgeon, Definition: Definition, Operations: len(done), Points: Recur(done, points, reviews),
		Consequences: []Consequences{}, Strengths: []Strength{}}
	f.Looked = len(newHistory(done, points, reviews).looked)
	for _, p := range points {
		i := slices.IndexFunc(f.Consequences, func(c Consequences) bool { return c.Consequence == p.Consequence })
		if i < 0 {
			i = len(f.Consequences)
			f.Consequences = append(f.Consequences, Consequences{Consequence: p.Consequence})
		}
		if p.Polarity == polarityImprove {
			f.Consequences[i].Improve++
			continue
		}
		f.Consequences[i].Strength++
		k := slices.IndexFunc(f.Strengths, func(s Strength) bool { return s.TeachingPoint == p.TeachingPoint })
		if k < 0 {
			k = len(f.Strengths)
			f.Strengths = append(f.Strengths, Strength{TeachingPoint: p.TeachingPoint})
		}
		s := &f.Strengths[k]
		s.Notes++
		if at := (Moment{p.NotedAt, p.CaseCode}); cmp.Or(at.At.Compare(s.LastNoted.At), cmp.Compare(at.Case, s.LastNoted.Case)) > 0 {
			s.LastNoted = at
		}
	}
	slices.SortFunc(f.Consequences, func(a, b Consequences) int { return byConsequence(a.Consequence, b.Consequence) })
	slices.SortFunc(f.Strengths, func(a, b Strength) int { return cmp.Compare(a.TeachingPoint, b.TeachingPoint) })
	return f
}

// readPoints reads the teaching points noted for a surgeon, in order of the
// operations, as of a position.
func readPoints(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, straddling []fold.Case) ([]Point, error) {
	sql, args := allPointsSQL, []any{surgeon}
	if asOf.Past {
		sql, args = standingPointsSQL, []any{surgeon, int64(asOf.Position)}
	}
	out, err := pg.Structs[Point](ctx, tx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read teaching points: %w", err)
	}
	for i := range out {
		out[i].StartedAt, out[i].NotedAt = out[i].StartedAt.UTC(), out[i].NotedAt.UTC()
	}
	for _, c := range straddling {
		out = append(out, pointsFor(PointsOf(c, outcome.RowOf(c)), surgeon)...)
	}
	slices.SortFunc(out, func(a, b Point) int {
		return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.CaseCode, b.CaseCode), a.NotedAt.Compare(b.NotedAt), cmp.Compare(a.Part, b.Part))
	})
	return out, nil
}

// Reviews reads the reviews of the operations that a surgeon began, in order of
// the operations, as of a position.
func Reviews(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]Review, error) {
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	return readReviews(ctx, tx, surgeon, asOf, straddling)
}

func readReviews(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, straddling []fold.Case) ([]Review, error) {
	sql, args := allReviewsSQL, []any{surgeon}
	if asOf.Past {
		sql, args = standingReviewsSQL, []any{surgeon, int64(asOf.Position)}
	}
	out, err := pg.Structs[Review](ctx, tx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read case reviews: %w", err)
	}
	for i := range out {
		out[i].StartedAt, out[i].ReviewedAt = out[i].StartedAt.UTC(), out[i].ReviewedAt.UTC()
	}
	for _, c := range straddling {
		for _, r := range ReviewsOf(c, outcome.RowOf(c)) {
			if r.Surgeon == surgeon {
				out = append(out, r)
			}
		}
	}
	slices.SortFunc(out, func(a, b Review) int {
		return cmp.Or(a.StartedAt.Compare(b.StartedAt), cmp.Compare(a.CaseCode, b.CaseCode), a.ReviewedAt.Compare(b.ReviewedAt), cmp.Compare(a.Part, b.Part))
	})
	return out, nil
}

// Unreviewed is a trainee's operation without a review.
type Unreviewed struct {
	CaseCode    string    `json:"case"`
	Surgeon     string    `json:"surgeon"` // first operator
	Department  string    `json:"department"`
	StartedAt   time.Time `json:"started_at"`
	Supervision string    `json:"supervision"`
	Rupture     bool      `json:"rupture"`
	RuptureStep string    `json:"rupture_step"` // of its cause, else of its notice; empty when not recorded
	TakenOver   *bool     `json:"taken_over"`

	// Discussion is as in Stage: why the case asks for a case discussion.
	Discussion []string `json:"discussion"`
}

// unreviewed is a row of it, and what its reasons for a discussion rest on.
type unreviewed struct {
	CaseCode, Surgeon, Department string
	StartedAt                     time.Time
	Supervision                   string
	Rupture                       bool
	RuptureStep                   string
	TakenOver                     *bool
	Complications                 []string
	Infected                      bool
	TakenOverBefore               bool
}

// Waiting lists the operations since a time, begun by trainees whom the reader
// sees, that nobody has reviewed, latest first, at most limit of them. It is work
// to do, so it is read as of now only.
func Waiting(ctx context.Context, tx pgx.Tx, since time.Time, limit int) ([]Unreviewed, error) {
	rows, err := pg.Structs[unreviewed](ctx, tx, listWaitingSQL, since, limit)
	if err != nil {
		return nil, fmt.Errorf("list cases without a review: %w", err)
	}
	out := make([]Unreviewed, len(rows))
	for i, r := range rows {
		out[i] = Unreviewed{CaseCode: r.CaseCode, Surgeon: r.Surgeon, Department: r.Department, StartedAt: r.StartedAt.UTC(), Supervision: r.Supervision,
			Rupture: r.Rupture, RuptureStep: r.RuptureStep, TakenOver: r.TakenOver,
			Discussion: reasons(r.Rupture, r.Complications, r.Infected, r.TakenOverBefore && r.TakenOver != nil && *r.TakenOver)}
	}
	return out, nil
}
