package intake

import (
	"fmt"

	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events"
)

// metrics count events by what became of them and by type.
type metrics struct {
	events  *prometheus.CounterVec
	seconds prometheus.Histogram
}

func newMetrics(reg prometheus.Registerer) (*metrics, error) {
	m := &metrics{
		events: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lensledger_intake_events_total",
			Help: "Events received over HTTP, by what became of them and by type.",
		}, []string{"result", "type"}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "lensledger_intake_publish_seconds",
			Help:    "Time until the log answered for a group of events, in seconds.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
		}),
	}
	if reg == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.events, m.seconds} {
		if err := reg.Register(c); err != nil {
			return nil, fmt.Errorf("intake metrics: %w", err)
		}
	}
	return m, nil
}

func (m *metrics) count(status Status, t events.Type) {
	// A sender must not make label values of its own.
	if _, known := events.Lookup(t); !known {
		t = "unknown"
	}
	m.events.WithLabelValues(string(status), string(t)).Inc()
}

// timer measures from now until it is called.
func (m *metrics) timer() func() {
	t := prometheus.NewTimer(m.seconds)
	return func() { t.ObserveDuration() }
}
