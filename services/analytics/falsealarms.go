package analytics

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/alarm"
	"lensledger/projections/archive"
)

// expectedFalseAlarms is how often a department's charts together are wrong.
type expectedFalseAlarms struct {
	alarm.FalseAlarmRate
	Words string `json:"words"`
}

func readFalseAlarms(ctx context.Context, tx pgx.Tx, departments []string, asOf archive.AsOf) ([]expectedFalseAlarms, error) {
	out := []expectedFalseAlarms{}
	for _, code := range departments {
		rate, err := alarm.FalseAlarms(ctx, tx, code, asOf)
		if err != nil {
			return nil, err
		}
		out = append(out, expectedFalseAlarms{rate, FalseAlarmWords(rate)})
	}
	return out, nil
}

// FalseAlarmWords says how many false alarms a year are to be expected, and by
// which formula.
func FalseAlarmWords(r alarm.FalseAlarmRate) string {
	counted := len(r.Charts) - r.Unknown
	if r.From == "" || counted == 0 {
		return "No detection chart has a case yet, so none can be wrong."
	}
	words := fmt.Sprintf("Were everybody's performance exactly as acceptable, %s false alarms a year would come from %s together: "+
		"for each, its cases from %s to %s divided by its average number of cases to a false alarm, added up.",
		tenths(r.PerYear), Plural(counted, "detection chart", "detection charts"), r.From, r.To)
	if r.Unknown > 0 {
		words += " " + Plural(r.Unknown, "more isn't in it, since its", "more aren't in it, since their") + " run length can't be worked out."
	}
	return words
}
