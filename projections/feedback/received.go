package feedback

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
)

// Received is what was said to a surgeon about one operation: its reviews, and the
// teaching points noted for the surgeon, with where to see them in the recording.
type Received struct {
	CaseCode  string
	StartedAt time.Time // of the operation
	LastSaid  time.Time // the latest of its reviews and notes
	Reviews   []Review  // in order of time
	Points    []Point   // in the order of the recording, those without a place in it last
}

// ReadReceived reads what was said to a surgeon, by operation, what was said last
// first, at most limit operations, as of a position; more says whether there are
// others. The reader has to see the whole of the surgeon.
func ReadReceived(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf, limit int) (out []Received, more bool, err error) {
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, false, err
	}
	reviews, err := readReviews(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return nil, false, err
	}
	points, err := readPoints(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return nil, false, err
	}
	out = receivedOf(reviews, points)
	if len(out) > limit {
		return out[:limit], true, nil
	}
	return out, false, nil
}

// receivedOf groups reviews and points by operation.
func receivedOf(reviews []Review, points []Point) []Received {
	at := map[string]int{}
	var out []Received
	of := func(code string, started, said time.Time) *Received {
		i, found := at[code]
		if !found {
			i = len(out)
			at[code] = i
			out = append(out, Received{CaseCode: code, StartedAt: started})
		}
		if said.After(out[i].LastSaid) {
			out[i].LastSaid = said
		}
		return &out[i]
	}
	for _, r := range reviews {
		c := of(r.CaseCode, r.StartedAt, r.ReviewedAt)
		c.Reviews = append(c.Reviews, r)
	}
	for _, p := range points {
		c := of(p.CaseCode, p.StartedAt, p.NotedAt)
		c.Points = append(c.Points, p)
	}
	for _, c := range out {
		slices.SortStableFunc(c.Points, func(a, b Point) int {
			if a.RecordingOffsetMS == nil || b.RecordingOffsetMS == nil {
				return cmp.Compare(placed(b), placed(a))
			}
			return cmp.Compare(*a.RecordingOffsetMS, *b.RecordingOffsetMS)
		})
	}
	slices.SortFunc(out, func(a, b Received) int {
		return cmp.Or(b.LastSaid.Compare(a.LastSaid), cmp.Compare(a.CaseCode, b.CaseCode))
	})
	return out
}

// placed is 1 for a point with a place in the recording.
func placed(p Point) int {
	if p.RecordingOffsetMS == nil {
		return 0
	}
	return 1
}
