package feedback_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
)

// The list of cases that wait says of each why it asks for a discussion, as the
// case's own summary does. The reasons are clinic's: any rupture, dropped nucleus,
// wrong implant, wrong eye or endophthalmitis, and two take-overs in a row.
func TestWaitingAsksAsTheStageDoes(t *testing.T) {
	r := newRegistry(t)
	es := []events.Event{enrolled(t, "T-1", "trainee", 10), enrolled(t, "C-1", "consultant", 0)}
	over := `{"from":"T-1","to":"C-1","planned":false,"step":"sculpting"}`
	bad := func(kind string) string { return `{"kind":"` + kind + `"}` }
	want := map[string][]string{}
	for i, c := range []struct {
		name, data string
		reasons    []string
	}{
		{"complication.recorded", bad("posterior-capsule-rupture"), []string{"capsule-rupture"}},
		{"complication.recorded", bad("dropped-nucleus"), []string{"dropped-nucleus"}},
		{"complication.recorded", bad("wrong-implant"), []string{"wrong-implant"}},
		{"complication.recorded", bad("wrong-eye"), []string{"wrong-eye"}},
		{"complication.recorded", bad("iris-prolapse"), []string{}},
		{"followup.finding", `{"kind":"endophthalmitis","certainty":"presumed"}`, []string{"endophthalmitis"}},
		{"operator.changed", over, []string{}}, // the first
		{"operator.changed", over, []string{"two-take-overs-in-a-row"}},
		{"", "", []string{}},
		{"operator.changed", over, []string{}}, // not in a row
		{"operator.changed", `{"from":"T-1","to":"C-1","planned":true,"step":"sculpting"}`, []string{}},
	} {
		code, at := fmt.Sprintf("W-%02d", i), monday.AddDate(0, 0, i)
		es = append(es, operated(t, code, "T-1", at, 200)...)
		switch c.name {
		case "":
		case "followup.finding":
			es = append(es, line(t, code+"-x", c.name, code, at.AddDate(0, 0, 3), c.data))
		default:
			es = append(es, line(t, code+"-x", c.name, code, at.Add(17*time.Minute), c.data))
		}
		want[code] = c.reasons
	}
	r.send(t, es...)
	r.as(t, trainer, "", func(tx pgx.Tx, now archive.AsOf) error {
		waiting, err := feedback.Waiting(t.Context(), tx, monday, 100)
		if err != nil {
			return err
		}
		got, staged := map[string][]string{}, map[string][]string{}
		for _, w := range waiting {
			got[w.CaseCode] = w.Discussion
			s, err := feedback.ReadStage(t.Context(), tx, feedback.Peers{}, w.CaseCode, now)
			if err != nil {
				return err
			}
			staged[w.CaseCode] = s.Discussion
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error("the list:", diff)
		}
		if diff := cmp.Diff(want, staged); diff != "" {
			t.Error("the stage:", diff)
		}
		return nil
	})
}
