package analytics

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

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
	State       alarm.State    `json:"state"`
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
	CanTell     *alarm.CanTell `json:"can_tell"` // null where run lengths can't be worked out
	Climb       climb          `json:"climb"`
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
		found, err := alarm.DepartmentCharts(r.Context(), tx, code, []string{wanted.outcome}, partings[wanted.by], asOf)
		if err != nil {
			return nil, err
		}
		out := departmentCharts{Basis: basis(asOf), Department: code, Outcome: wanted.outcome, By: wanted.by, N: len(found), Charts: make([]groupChart, len(found))}
		for i, g := range found {
			out.Charts[i] = groupChartOf(g, wanted.last)
		}
		return out, nil
	}})
}

// askedOf is what a question about a department's charts asks for.
type askedOf struct {
	outcome, by string
	last        int
}

func readWatched(query url.Values) (askedOf, error) {
	w := askedOf{last: defaultPoints}
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

func groupChartOf(g alarm.GroupChart, last int) groupChart {
	lengths, at := g.Design.Lengths(), alarm.StandingOfGroup(g)
	out := groupChart{Chart: g.Code, Group: g.Group, State: at.State(), Words: ChartWords(at, lengths), CannotSee: CannotSee(g.Design, lengths), N: len(g.Points),
		Events: g.Events, Value: g.Value(), CompleteTo: g.CompleteTo, Design: designOf(g.Design, lengths), Reached: reached(g.Chart),
		Later: len(g.Provisional), CanTell: g.CanTell(), Climb: climbOf(g.Climb()), Excluded: g.Excluded}
	out.Cases, out.Provisional = latest(g.Points, last), latest(g.Provisional, last)
	out.NotShown = len(g.Points) - len(out.Cases)
	return out
}

func latest(points []alarm.Point, n int) []alarm.Point {
	if len(points) == 0 {
		return []alarm.Point{}
	}
	return points[max(0, len(points)-n):]
}
