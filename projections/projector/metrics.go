package projector

import (
	"context"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	position     prometheus.Gauge
	lagEvents    prometheus.Gauge
	lagSeconds   prometheus.Gauge
	dispositions *prometheus.CounterVec
	duration     prometheus.Histogram
	batch        prometheus.Histogram
	waits        prometheus.Counter
	alarms       prometheus.Counter
	again        prometheus.Counter
}

func newMetrics(r prometheus.Registerer) *metrics {
	m := &metrics{
		position: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lensledger_projector_position",
			Help: "Stream position up to which the read models have come."}),
		lagEvents: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lensledger_projector_lag_events",
			Help: "Messages in the stream that are not projected yet."}),
		lagSeconds: prometheus.NewGauge(prometheus.GaugeOpts{Name: "lensledger_projector_lag_seconds",
			Help: "Age of the oldest message that is not projected yet."}),
		dispositions: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "lensledger_projector_events_total",
			Help: "Messages projected, by what became of them."}, []string{"disposition"}),
		duration: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "lensledger_projector_transaction_seconds",
			Help: "Time of one projector transaction.", Buckets: prometheus.ExponentialBuckets(0.002, 2, 12)}),
		batch: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "lensledger_projector_batch_events",
			Help: "Messages in one projector transaction.", Buckets: []float64{1, 2, 5, 10, 20, 50, 100, 200, 500}}),
		waits: prometheus.NewCounter(prometheus.CounterOpts{Name: "lensledger_projector_waits_total",
			Help: "Times the projector waited because Postgres was not available."}),
		alarms: prometheus.NewCounter(prometheus.CounterOpts{Name: "lensledger_alarms_total",
			Help: "Charts that crossed their line for the first time."}),
		again: prometheus.NewCounter(prometheus.CounterOpts{Name: "lensledger_erased_again_total",
			Help: "Erased events that a source sent again as they had been; the erasure has to be run again."}),
	}
	for _, d := range []string{Accepted, Duplicate, Conflict, Quarantined, Erased} {
		m.dispositions.WithLabelValues(d)
	}
	if r != nil {
		r.MustRegister(m.position, m.lagEvents, m.lagSeconds, m.dispositions, m.duration, m.batch, m.waits, m.alarms, m.again)
	}
	return m
}

func (m *metrics) applied(arrivals []arrival, took time.Duration) {
	for _, a := range arrivals {
		m.dispositions.WithLabelValues(a.Disposition).Inc()
	}
	m.duration.Observe(took.Seconds())
	m.batch.Observe(float64(len(arrivals)))
	m.position.Set(float64(arrivals[len(arrivals)-1].Sequence))
}

// watchLag asks the stream from time to time how far it has come.
func (p *Projector) watchLag(ctx context.Context) {
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		lag, age, err := p.Lag(ctx)
		if err != nil {
			continue
		}
		p.metrics.lagEvents.Set(float64(lag))
		p.metrics.lagSeconds.Set(age.Seconds())
	}
}

// Lag says how many messages wait to be projected and how old the oldest is.
func (p *Projector) Lag(ctx context.Context) (events uint64, age time.Duration, err error) {
	var position int64
	if err := p.pool.QueryRow(ctx, "SELECT position FROM stream_state").Scan(&position); err != nil {
		return 0, 0, err
	}
	info, err := p.stream.Info(ctx)
	if err != nil {
		return 0, 0, err
	}
	p.progress.seen(uint64(position), info.Last > uint64(position))
	if info.Last <= uint64(position) {
		return 0, 0, nil
	}
	next, err := p.stream.Get(ctx, uint64(position)+1)
	if err != nil {
		return info.Last - uint64(position), 0, err
	}
	return info.Last - uint64(position), time.Since(next.Time), nil
}

// progress knows, by this process's own clock, for how long the position has stood
// still while there was work: the age of a message is told by the broker's clock,
// which may be hours off.
type progress struct {
	mu       sync.Mutex
	position uint64
	since    time.Time // zero while there is nothing to do
}

func (g *progress) seen(position uint64, work bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case !work:
		g.since = time.Time{}
	case g.since.IsZero() || position != g.position:
		g.since = time.Now()
	}
	g.position = position
}

// Stalled is for how long the position has stood still while messages waited, as
// far as calls of Lag have seen.
func (p *Projector) Stalled() time.Duration {
	p.progress.mu.Lock()
	defer p.progress.mu.Unlock()
	if p.progress.since.IsZero() {
		return 0
	}
	return time.Since(p.progress.since)
}
