package analytics

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/web"
)

// departmentCharts is the answer: the charts of a department's eyes, parted or
// not. They are no person's and raise no alarm.
type departmentCharts struct {
	Basis
	Department string       `json:"department"`
	Outcome    string       `json:"outcome"`
	By         string       `json:"by"`
	N          int          `json:"n"` // charts
	Charts     []groupChart `json:"charts"`
}

// groupChart is the chart of one group of eyes. Cases and Provisional are the
// latest points; the numbers beside them are of all.
type groupChart struct {
	Chart       string         `json:"chart"`
	Group       string         `json:"group"` // "" is all, or those of which it isn't recorded
	Words       string         `json:"words"`
	CannotSee   string         `json:"cannot_see"`
	N           int            `json:"n"` // eyes up to complete_to
	Events      int            `json:"events"`
	Value       float64        `json:"value"`
	CompleteTo  string         `json:"complete_to"` // day; "" when nothing is recorded
	Design      chartDesign    `json:"design"`
	Cases       []alarm.Point  `json:"cases"`
	NotShown    int            `json:"earlier_cases_not_shown"`
	Provisional []alarm.Point  `json:"provisional_cases"`
	Later       int            `json:"provisional_n"`
	Reached     []crossed      `json:"line_reached"`
	Excluded    map[string]int `json:"excluded"`
}

// What a department's charts may be parted by, as in a query.
var partings = map[string]string{"department": alarm.ByNothing, "lens_model": alarm.ByLensModel, "formula": alarm.ByFormula, "biometer": alarm.ByBiometer}

// Bounds of the points that are shown of one chart.
const (
	defaultPoints = 500
	maxPoints     = 5000
)

// getDepartmentCharts serves GET /v1/departments/{department}/charts.
func (s *Service) getDepartmentCharts(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "outcome", "by", "last", "as_of")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	wanted, err := readWatched(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	code := mux.Vars(r)["department"]
	s.answer(w, r, question{reader: Reader(who), query: query, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		found, err := alarm.DepartmentCharts(r.Context(), tx, code, wanted.outcome, partings[wanted.by], asOf)
		if err != nil {
			return nil, err
		}
		out := departmentCharts{Basis: basis(asOf), Department: code, Outcome: wanted.outcome, By: wanted.by, N: len(found), Charts: make([]groupChart, len(found))}
		for i, g := range found {
			if out.Charts[i], err = s.groupChart(r.Context(), g, wanted.last); err != nil {
				return nil, err
			}
		}
		return out, nil
	}})
}

// watched is what a question about a department's charts asks for.
type watched struct {
	outcome, by string
	last        int
}

func readWatched(query url.Values) (watched, error) {
	w := watched{last: defaultPoints}
	var err error
	if !query.Has("outcome") {
		return w, badQuery(web.Fault{Pointer: "?outcome", Code: "missing", Detail: fmt.Sprintf("missing, required: %s or %s",
			events.OutcomeRefractionMiss, events.OutcomeVisualLoss)})
	}
	if w.outcome, err = oneOf(query, "outcome", string(events.OutcomeRefractionMiss), string(events.OutcomeVisualLoss)); err != nil {
		return w, err
	}
	if w.by, err = oneOf(query, "by", "department", "lens_model", "formula", "biometer"); err != nil {
		return w, err
	}
	if w.by == "" {
		w.by = "department"
	}
	if query.Has("last") {
		if w.last, err = strconv.Atoi(query.Get("last")); err != nil || w.last < 0 || w.last > maxPoints {
			return w, badQuery(web.Fault{Pointer: "?last", Code: "out-of-range", Detail: fmt.Sprintf("allowed: 0 to %d", maxPoints)})
		}
	}
	return w, nil
}

func (s *Service) groupChart(ctx context.Context, g alarm.GroupChart, last int) (groupChart, error) {
	lengths, err := s.RunLengths(ctx, g.Design)
	if err != nil {
		return groupChart{}, err
	}
	out := groupChart{Chart: g.Code, Group: g.Group, Words: GroupWords(g), CannotSee: CannotSee(g.Chart, lengths), N: len(g.Points),
		Events: g.Events, Value: g.Value(), CompleteTo: g.CompleteTo, Design: designOf(g.Design, lengths), Reached: reached(g.Chart),
		Later: len(g.Provisional), Excluded: g.Excluded}
	out.Cases, out.Provisional = latest(g.Points, last), latest(g.Provisional, last)
	out.NotShown = len(g.Points) - len(out.Cases)
	return out, nil
}

func latest(points []alarm.Point, n int) []alarm.Point {
	if len(points) == 0 {
		return []alarm.Point{}
	}
	return points[max(0, len(points)-n):]
}

// GroupWords says in one sentence where a department's chart stands.
func GroupWords(g alarm.GroupChart) string {
	var words string
	switch n := len(g.Points); {
	case len(g.Reaching) > 0:
		p := g.Reaching[0]
		words = fmt.Sprintf("crossed its line at eye %d, operated on %s, for review", p.CaseNumber, DayWords(p.StartedAt))
		if p.CaseNumber > n {
			words += "; eyes whose follow-up is still to come may change where"
		}
	case n == 0:
		words = "no eyes yet"
	case n < smallNumber:
		words = fmt.Sprintf("too few eyes (%d)", n)
	default:
		words = "no signal (could still miss " + OddsWords(oddsRatio(g.Design)) + ")"
	}
	if day, err := time.Parse(time.DateOnly, g.CompleteTo); err == nil && len(g.Provisional) > 0 {
		words += fmt.Sprintf("; %s operated on after %s may still change", countWords(len(g.Provisional), "eye", "eyes"), DayWords(day))
	}
	return words
}
