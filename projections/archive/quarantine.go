package archive

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/pg"
)

var (
	//go:embed sql/list_quarantine.sql
	listQuarantineSQL string
	//go:embed sql/latest_quarantine.sql
	latestQuarantineSQL string
	//go:embed sql/count_quarantine.sql
	countQuarantineSQL string
	//go:embed sql/in_quarantine.sql
	inQuarantineSQL string
	//go:embed sql/count_quarantined.sql
	countQuarantinedSQL string
	//go:embed sql/count_conflicts.sql
	countConflictsSQL string
)

// Exchange is what somebody exchanged in an event that was sent again: a
// publisher's own words for those of the vocabulary.
type Exchange struct {
	By       string           `json:"by"` // a code
	Mappings []events.Mapping `json:"mappings"`
}

// Quarantined is one event that could not be taken.
type Quarantined struct {
	Sequence   uint64           `json:"sequence"`
	RecordedAt time.Time        `json:"recorded_at"`
	Subject    string           `json:"subject"`    // the broker's, which its sender's credential vouches for
	Source     string           `json:"source"`     // of the subject
	Department string           `json:"department"` // of the subject
	Reason     string           `json:"reason"`
	Problems   []events.Problem `json:"problems"`
	Bytes      int              `json:"bytes"`
	Sample     string           `json:"sample"`      // the first bytes as text, unreadable ones replaced
	ReleasedAs *uint64          `json:"released_as"` // position under which it was sent again
	Mapping    *Exchange        `json:"mapping"`     // what was exchanged in it then
}

// sampleBytes is how much of a quarantined event is shown.
const sampleBytes = 2000

// Quarantine gives what is in quarantine after a position, as far as the reader
// may see it, at most limit of it.
func Quarantine(ctx context.Context, tx pgx.Tx, after uint64, limit int) ([]Quarantined, error) {
	return readQuarantine(ctx, tx, listQuarantineSQL, int64(after), limit, sampleBytes)
}

// LatestQuarantine gives what waits in quarantine, then what was released, latest
// first, at most limit of it.
func LatestQuarantine(ctx context.Context, tx pgx.Tx, limit int) ([]Quarantined, error) {
	return readQuarantine(ctx, tx, latestQuarantineSQL, limit, sampleBytes)
}

// CountQuarantine says how many events wait, and how many were released.
func CountQuarantine(ctx context.Context, tx pgx.Tx) (waiting, released int, err error) {
	if err := tx.QueryRow(ctx, countQuarantineSQL).Scan(&waiting, &released); err != nil {
		return 0, 0, fmt.Errorf("count quarantine: %w", err)
	}
	return waiting, released, nil
}

// QuarantineCount is how many events of one source and department could not be
// taken for one reason.
type QuarantineCount struct {
	Source     string `json:"source"`
	Department string `json:"department"`
	Reason     string `json:"reason"`
	Waiting    int    `json:"waiting"`
	Released   int    `json:"released"` // sent again
}

// QuarantineCounts counts what is in quarantine up to a position, as far as the
// reader may see it, sorted by source, department and reason. An empty department
// means all.
func QuarantineCounts(ctx context.Context, tx pgx.Tx, position uint64, department string) ([]QuarantineCount, error) {
	list, err := pg.Structs[QuarantineCount](ctx, tx, countQuarantinedSQL, int64(position), department)
	if err != nil {
		return nil, fmt.Errorf("count quarantine: %w", err)
	}
	if list == nil {
		list = []QuarantineCount{}
	}
	return list, nil
}

// LeftOut is what was received for a department, of whatever period, and set aside:
// what can't be read has no day of operation.
type LeftOut struct {
	Waiting     int               `json:"waiting"`     // events in quarantine
	Quarantined []QuarantineCount `json:"quarantined"` // of them, by source and reason
	InConflict  int               `json:"in_conflict"` // identities that came with more than one content, settled by an amendment since or not
}

// CountLeftOut counts what a department's figures leave out, as of a position.
func CountLeftOut(ctx context.Context, tx pgx.Tx, department string, asOf AsOf) (LeftOut, error) {
	var out LeftOut
	var err error
	if out.Quarantined, err = QuarantineCounts(ctx, tx, asOf.Position, department); err != nil {
		return out, err
	}
	for _, q := range out.Quarantined {
		out.Waiting += q.Waiting
	}
	if err := tx.QueryRow(ctx, countConflictsSQL, int64(asOf.Position), department).Scan(&out.InConflict); err != nil {
		return out, fmt.Errorf("count conflicts of %s: %w", department, err)
	}
	return out, nil
}

// InQuarantine says whether the reader may see a quarantined event.
func InQuarantine(ctx context.Context, tx pgx.Tx, sequence uint64) (bool, error) {
	var there bool
	if err := tx.QueryRow(ctx, inQuarantineSQL, int64(sequence)).Scan(&there); err != nil {
		return false, fmt.Errorf("look into quarantine: %w", err)
	}
	return there, nil
}

func readQuarantine(ctx context.Context, tx pgx.Tx, sql string, args ...any) ([]Quarantined, error) {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Quarantined, error) {
		var q Quarantined
		var sequence int64
		var released *int64
		var sample []byte
		var problems string
		err := row.Scan(&sequence, &q.RecordedAt, &q.Subject, &q.Source, &q.Department, &q.Reason, &problems, &q.Bytes, &sample, &released, &q.Mapping)
		if err != nil {
			return q, err
		}
		q.Sequence, q.RecordedAt, q.Sample = uint64(sequence), q.RecordedAt.UTC(), sampleText(sample, q.Bytes)
		if released != nil {
			as := uint64(*released)
			q.ReleasedAs = &as
		}
		q.Problems = []events.Problem{}
		return q, json.Unmarshal([]byte(problems), &q.Problems)
	})
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	return list, nil
}

// sampleText makes text of the first bytes of an event: a character that the cut
// went through is left out, bytes that are no text are replaced.
func sampleText(sample []byte, whole int) string {
	if len(sample) < whole {
		for i := 0; i < utf8.UTFMax-1 && len(sample) > 0; i++ {
			if r, size := utf8.DecodeLastRune(sample); r != utf8.RuneError || size > 1 {
				break
			}
			sample = sample[:len(sample)-1]
		}
	}
	return strings.ToValidUTF8(string(sample), "�")
}
