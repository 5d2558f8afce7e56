package analytics

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/services/web"
)

// alarms is the answer: the alarms that the actor may see, latest first.
type alarms struct {
	Basis
	N      int           `json:"n"`
	Alarms []listedAlarm `json:"alarms"`
	Next   *string       `json:"next"` // after= of the next page; null at the end

	// Changes are null without since=, and on pages after the first.
	Changes *alarm.Changes `json:"changes"`

	// FalseAlarms is one for each of the actor's departments; null on pages after
	// the first.
	FalseAlarms []expectedFalseAlarms `json:"expected_false_alarms_a_year"`
}

// listedAlarm is one alarm with what people made of it.
type listedAlarm struct {
	Alarm      string     `json:"alarm"`
	Chart      string     `json:"chart"`
	Stretch    int        `json:"stretch"` // of the chart: 1 before any restart
	Surgeon    string     `json:"surgeon"`
	Department string     `json:"department"`
	Outcome    string     `json:"outcome"`
	Kind       string     `json:"kind"`
	Case       string     `json:"case"`
	CaseNumber int        `json:"case_number"`
	CrossedAt  time.Time  `json:"crossed_at"`
	Value      float64    `json:"value"`
	Threshold  float64    `json:"threshold"`
	FirstKnown *uint64    `json:"first_known"` // position when it was announced; null when it came with a rebuild
	KnownAt    *time.Time `json:"known_at"`    // when that was recorded
	State      alarm.Life `json:"state"`
	Owner      *string    `json:"owner"` // null where it was given to nobody
	DueOn      *string    `json:"due_on"`
	Overdue    bool       `json:"overdue"` // open, and its date has passed
	Reviews    []review   `json:"reviews"`
	History    []deed     `json:"history"` // reviews and restarts among them
	Restarted  bool       `json:"restarted"`
	Words      string     `json:"words"`
}

// review is a named person's look at an alarm.
type review struct {
	ReviewedAt time.Time `json:"reviewed_at"`
	By         string    `json:"by"`
	Finding    string    `json:"finding"`
	Action     string    `json:"action"`
	Restart    bool      `json:"restart"`
}

// deed is one thing that somebody did about an alarm.
type deed struct {
	Alarm   string    `json:"alarm"`
	Did     string    `json:"did"` // acknowledged, assigned, closed, restarted
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	Note    string    `json:"note,omitempty"`
	Owner   string    `json:"owner,omitempty"`
	DueOn   string    `json:"due_on,omitempty"`
	Finding string    `json:"finding,omitempty"`
	Action  string    `json:"action,omitempty"`
}

func deedsOf(l alarm.Listed) []deed {
	out := []deed{}
	for _, d := range l.Deeds() {
		out = append(out, deed(d))
	}
	return out
}

// getAlarms serves GET /v1/alarms.
func (s *Service) getAlarms(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "as_of", "after", "limit", "since")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	since, err := readSince(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	// Which are overdue changes with the day.
	today := func(pgx.Tx) (string, error) { return s.today(archive.AsOf{}), nil }
	s.answer(w, r, question{reader: Reader(who), query: query, page: p, beside: today, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		listed, err := alarm.List(r.Context(), tx, asOf)
		if err != nil {
			return nil, err
		}
		all, day := listed, s.today(asOf)
		listed, next := cut(p, asOf, alarmsAfter(listed, p.After), alarmKey)
		out := alarms{Basis: basis(asOf), N: len(listed), Alarms: make([]listedAlarm, len(listed)), Next: next}
		for i, l := range listed {
			out.Alarms[i] = alarmOf(l, day)
		}
		if p.After == "" {
			if since != nil {
				changes := alarm.ChangesSince(all, *since, day)
				out.Changes = &changes
			}
			out.FalseAlarms, err = readFalseAlarms(r.Context(), tx, who.Departments, asOf)
		}
		return out, err
	}})
}

// today is the day by which signals are overdue: that of the clock, or the one on
// which an earlier state was recorded.
func (s *Service) today(asOf archive.AsOf) string {
	if asOf.Past {
		return asOf.RecordedAt.UTC().Format(time.DateOnly)
	}
	return s.cfg.Now().UTC().Format(time.DateOnly)
}

func readSince(query url.Values) (*time.Time, error) {
	if !query.Has("since") {
		return nil, nil
	}
	at, err := time.Parse(time.DateOnly, query.Get("since"))
	if err != nil {
		return nil, badQuery(web.Fault{Pointer: "?since", Code: faultInvalid, Detail: fmt.Sprintf("found %q, allowed a day such as 2025-06-02", short(query.Get("since")))})
	}
	return &at, nil
}

// alarmKey sorts as alarms are listed: latest first, then by code.
func alarmKey(l alarm.Listed) string {
	return fmt.Sprintf("%019d %s", 1<<62-l.CrossedAt.UnixMicro(), l.Alarm)
}

// alarmsAfter leaves out the alarms up to the one with a key. Whoever turns pages
// may have lost sight of that one meanwhile.
func alarmsAfter(listed []alarm.Listed, key string) []alarm.Listed {
	if i := slices.IndexFunc(listed, func(l alarm.Listed) bool { return alarmKey(l) == key }); i >= 0 {
		return listed[i+1:]
	}
	i := slices.IndexFunc(listed, func(l alarm.Listed) bool { return alarmKey(l) > key })
	if i < 0 {
		return nil
	}
	return listed[i:]
}

func alarmOf(l alarm.Listed, today string) listedAlarm {
	out := listedAlarm{Alarm: l.Alarm, Chart: l.Chart, Stretch: int(l.Ordinal), Surgeon: l.Surgeon, Department: l.Department,
		Outcome: l.Outcome, Kind: l.Kind, Case: l.CaseCode, CaseNumber: int(l.CaseNumber), CrossedAt: l.CrossedAt,
		Value: events.Millionths(l.Value).Float(), Threshold: events.Millionths(l.Threshold).Float(),
		FirstKnown: l.FirstKnown, KnownAt: l.KnownAt, State: l.Life(), Overdue: l.Overdue(today), History: deedsOf(l), Reviews: []review{}, Restarted: l.Restarted, Words: AlarmWords(l)}
	if a := l.Assignment(); a != nil {
		out.Owner, out.DueOn = &a.Owner, &a.DueOn
	}
	for _, row := range l.Reviews {
		out.Reviews = append(out.Reviews, review{ReviewedAt: row.ReviewedAt, By: row.ReviewedBy, Finding: row.Finding, Action: row.Action, Restart: row.Restart})
	}
	return out
}
