package fold

import (
	"time"

	"lensledger/events"
)

// Chart is what people decided about one chart code: its design, who has its
// alarms in hand, the reviews of its alarms and its restarts; or the releases of figures under one code.
type Chart struct {
	Code     string
	Trace    Trace
	Designed *events.ChartDesigned
	At       time.Time // of the design
	By       string    // department that set it, for its own surgeons
	Reviews  []Review
	Handling []Handling
	Releases []Release // when the code is that of a release of figures
	Flags    []Flag
}

// Release says that figures left a department.
type Release struct {
	events.FiguresReleased
	At         time.Time
	Department string
}

// Review is a named person's look at an alarm; Restart says that the chart begins
// again at zero with the next operation.
type Review struct {
	events.AlarmReviewed
	Restart    bool
	At         time.Time
	Department string
}

// Handling says that somebody acknowledged an alarm, or that it was given to
// somebody; the other of the two is nil.
type Handling struct {
	Acknowledged *events.AlarmAcknowledged
	Assigned     *events.AlarmAssigned
	At           time.Time
	Department   string
}

// FoldChart folds the events of one chart code: the latest design stands.
func FoldChart(subject Subject) Chart {
	r := Resolve(subject.Events)
	c := Chart{Code: subject.Code, Trace: traceOf([]Subject{subject}), Flags: r.Flags}
	for _, e := range r.Events {
		switch d := e.Data.(type) {
		case *events.ChartDesigned:
			c.Designed, c.At, c.By = d, e.Time, e.Department
		case *events.AlarmAcknowledged:
			c.Handling = append(c.Handling, Handling{Acknowledged: d, At: e.Time, Department: e.Department})
		case *events.AlarmAssigned:
			c.Handling = append(c.Handling, Handling{Assigned: d, At: e.Time, Department: e.Department})
		case *events.AlarmReviewed:
			c.Reviews = append(c.Reviews, Review{*d, false, e.Time, e.Department})
		case *events.ChartRestarted:
			c.Reviews = append(c.Reviews, Review{events.AlarmReviewed(*d), true, e.Time, e.Department})
		case *events.FiguresReleased:
			c.Releases = append(c.Releases, Release{*d, e.Time, e.Department})
		}
	}
	return c
}
