package web

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Metrics count requests by the template of their route, never by path.
type Metrics struct {
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
}

// NewMetrics registers the metrics of HTTP requests with reg.
func NewMetrics(reg prometheus.Registerer) (*Metrics, error) {
	m := &Metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "lensledger_http_requests_total",
			Help: "HTTP requests answered, by route template, method and status.",
		}, []string{"route", "method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "lensledger_http_request_seconds",
			Help:    "Time from a request's headers to the end of its answer, in seconds.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10, 30},
		}, []string{"route", "method"}),
	}
	for _, c := range []prometheus.Collector{m.requests, m.seconds} {
		if err := reg.Register(c); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (m *Metrics) observe(route, method string, status int, took time.Duration) {
	if m == nil {
		return
	}
	method = knownMethod(method)
	m.requests.WithLabelValues(route, method, strconv.Itoa(status)).Inc()
	m.seconds.WithLabelValues(route, method).Observe(took.Seconds())
}

// knownMethod keeps a client from making label values of its own.
func knownMethod(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return method
	}
	return "other"
}

// MetricsHandler serves GET /metrics.
func MetricsHandler(g prometheus.Gatherer) http.Handler {
	return promhttp.HandlerFor(g, promhttp.HandlerOpts{})
}
