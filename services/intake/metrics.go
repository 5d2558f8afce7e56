package intake

import (
	"fmt"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lensledger/events"
	"lensledger/events/stream"
)

// metrics count events by what became of them and by type.
type metrics struct {
	events  *prometheus.CounterVec
	seconds prometheus.Histogram
}

func newMetrics(reg prometheus.Registerer, spool *stream.Spool, now func() time.Time) (*metrics, error) {
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
	for _, c := range append(spoolGauges(spool, now), m.events, m.seconds) {
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

// spoolGauges are there without a spool as well, so that an alert on them can't
// be left without its metric.
func spoolGauges(spool *stream.Spool, now func() time.Time) []prometheus.Collector {
	gauge := func(name, help string, value func(stream.SpoolState) float64) prometheus.Collector {
		return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, func() float64 {
			if spool == nil {
				return 0
			}
			state, err := spool.State()
			if err != nil {
				return math.NaN()
			}
			return value(state)
		})
	}
	return []prometheus.Collector{
		gauge("lensledger_spool_waiting_events", "Events kept here that the log doesn't have yet.",
			func(s stream.SpoolState) float64 { return float64(s.Waiting) }),
		gauge("lensledger_spool_oldest_seconds", "How long the oldest event that waits has waited, in seconds.",
			func(s stream.SpoolState) float64 {
				if s.Oldest.IsZero() {
					return 0
				}
				return now().Sub(s.Oldest).Seconds()
			}),
		gauge("lensledger_spool_refused_events", "Events set aside in the spool because the log refuses them for good.",
			func(s stream.SpoolState) float64 { return float64(s.Refused) }),
		gauge("lensledger_spool_bytes", "Size of the events in the spool, in bytes.",
			func(s stream.SpoolState) float64 { return float64(s.Bytes) }),
		gauge("lensledger_spool_trusted_claims", "Claims of the log to have an event already that couldn't be checked, since the start.",
			func(s stream.SpoolState) float64 { return float64(s.Trusted) }),
	}
}
