package server

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"sagwatch/server/ingest"
	"sagwatch/server/watch"
)

// metrics are what the plant's monitoring may scrape at /metrics.
type metrics struct {
	measurements *prometheus.CounterVec
	requests     *prometheus.HistogramVec
}

func newMetrics(reg *prometheus.Registry, c *ingest.Committer, w *watch.Watcher, h *hub) *metrics {
	m := &metrics{
		measurements: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "sagwatch_measurements_total", Help: "Measurements answered, by status."}, []string{"status"}),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "sagwatch_request_seconds", Help: "Time to answer a request, by route.",
			Buckets: []float64{.001, .0025, .005, .01, .02, .05, .1, .25, .5, 1, 2.5, 10}}, []string{"method", "route", "status"}),
	}
	waiting := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "sagwatch_rows_waiting", Help: "Measurements not yet durable."},
		func() float64 { return float64(c.Waiting()) })
	listening := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "sagwatch_live_pages", Help: "Pages that listen for changes."},
		func() float64 { return float64(h.count()) })
	reg.MustRegister(m.measurements, m.requests, waiting, listening, lagCollector{w})
	return m
}

func (m *metrics) taken(status string, n int) { m.measurements.WithLabelValues(status).Add(float64(n)) }

// lagCollector tells how far the charts are.
type lagCollector struct{ w *watch.Watcher }

var (
	lastFolded = prometheus.NewDesc("sagwatch_fold_last_panel_timestamp_seconds", "Line time of the last panel that the charts have taken in.", []string{"fold"}, nil)
	behind     = prometheus.NewDesc("sagwatch_fold_behind", "1 while the charts have not taken in all that is stored.", []string{"fold"}, nil)
	folded     = prometheus.NewDesc("sagwatch_fold_panels_total", "Panels that the charts have taken in since the start, those folded again included.", []string{"fold"}, nil)
)

func (l lagCollector) Describe(c chan<- *prometheus.Desc) {
	c <- lastFolded
	c <- behind
	c <- folded
}

func (l lagCollector) Collect(c chan<- prometheus.Metric) {
	for _, lag := range l.w.Lags() {
		late := 0.0
		if lag.Behind {
			late = 1
		}
		if !lag.LastAt.IsZero() {
			c <- prometheus.MustNewConstMetric(lastFolded, prometheus.GaugeValue, float64(lag.LastAt.UnixMicro())/1e6, lag.Fold)
		}
		c <- prometheus.MustNewConstMetric(behind, prometheus.GaugeValue, late, lag.Fold)
		c <- prometheus.MustNewConstMetric(folded, prometheus.CounterValue, float64(lag.Count), lag.Fold)
	}
}

// statusWriter remembers the status for the metrics.
type statusWriter struct {
	http.ResponseWriter
	status int
}

func (w *statusWriter) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
	w.ResponseWriter.WriteHeader(status)
}

func (w *statusWriter) Write(b []byte) (int, error) {
	if w.status == 0 {
		w.status = http.StatusOK
	}
	return w.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach flushing and full duplex.
func (w *statusWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func since(start time.Time) float64 { return time.Since(start).Seconds() }
