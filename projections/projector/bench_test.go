package projector_test

import (
	"context"
	"log/slog"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/projector"
)

// scenario gives the first n events of an invented scenario.
func scenario(n int) []events.Event {
	out := make([]events.Event, 0, n)
	for e := range (simulate.Scenario{Seed: 3, Cases: n/20 + 100}).Events() {
		if out = append(out, e); len(out) == n {
			break
		}
	}
	return out
}

// loaded is a registry whose stream holds the events already.
func loaded(b *testing.B, es []events.Event) *registry {
	b.Helper()
	dir := filepath.Join(b.TempDir(), "log")
	err := stream.Load(b.Context(), dir, func(ctx context.Context, p *stream.Publisher) error { return publishAll(ctx, p, es) })
	if err != nil {
		b.Fatal(err)
	}
	return openRegistry(b, dir)
}

// BenchmarkLive measures how many events a second the live path takes, beside a
// bare COPY of the same bytes into an unindexed table in the same run. The read
// models stand before it begins, and there are just too few events for the bulk
// path.
func BenchmarkLive(b *testing.B) {
	es := scenario(19_000)
	for b.Loop() {
		b.StopTimer()
		r := loaded(b, es)
		raw := r.bareCopy(b, es)
		if err := r.projector().Prepare(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		began := time.Now()
		r.run(b, 500)
		took := time.Since(began)
		rate := float64(len(es)) / took.Seconds()
		b.ReportMetric(rate, "events/s")
		b.ReportMetric(raw/rate, "times-slower-than-bare-copy")
		b.ReportMetric(0, "ns/op")
	}
}

// bareCopy is the raw limit: the same bytes by COPY in batches of 500, events a
// second.
func (r *registry) bareCopy(b testing.TB, es []events.Event) float64 {
	b.Helper()
	ctx := b.Context()
	if _, err := r.Pool.Exec(ctx, "CREATE TABLE "+r.Base+".bare (sequence bigint, body bytea)"); err != nil {
		b.Fatal(err)
	}
	bodies := make([][]byte, len(es))
	for i, e := range es {
		bodies[i] = e.Encode()
	}
	began := time.Now()
	for start := 0; start < len(bodies); start += 500 {
		part := bodies[start:min(start+500, len(bodies))]
		if _, err := r.Pool.CopyFrom(ctx, pgx.Identifier{r.Base, "bare"}, []string{"sequence", "body"},
			pgx.CopyFromSlice(len(part), func(i int) ([]any, error) { return []any{int64(start + i), part[i]}, nil })); err != nil {
			b.Fatal(err)
		}
	}
	return float64(len(es)) / time.Since(began).Seconds()
}

// BenchmarkSustained measures publisher, synced stream and projector together: how
// many events a second are published and in the figures, everything on one machine.
func BenchmarkSustained(b *testing.B) {
	es := scenario(12_000)
	for b.Loop() {
		r := newRegistry(b)
		r.run(b, 500)
		ctx, stop := context.WithCancel(b.Context())
		w := projector.NewWatcher(r.Pool, r.Base)
		p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
		done := make(chan error, 2)
		go func() { done <- p.Run(ctx) }()
		go func() { done <- w.Run(ctx) }()
		began := time.Now()
		r.publish(b, es...)
		published := time.Since(began)
		info, err := r.stream.Info(ctx)
		if err != nil {
			b.Fatal(err)
		}
		if err := w.Wait(ctx, info.Last); err != nil {
			b.Fatal(err)
		}
		took := time.Since(began)
		stop()
		<-done
		<-done
		b.ReportMetric(float64(len(es))/took.Seconds(), "events/s")
		b.ReportMetric(took.Seconds()/published.Seconds(), "of-bare-publish-time")
		b.ReportMetric(0, "ns/op")
	}
}

// BenchmarkLatency measures the time from handing an event to the publisher until
// its rows are committed, at a steady rate of events a second.
func BenchmarkLatency(b *testing.B) {
	for _, perSecond := range []int{200, 1000} {
		b.Run(strconv.Itoa(perSecond), func(b *testing.B) { latency(b, perSecond) })
	}
}

// latency counts once the projector is at work: before, what it starts and its
// first statements cost is no event's.
func latency(b *testing.B, perSecond int) {
	const seconds = 8
	warm := perSecond
	es := scenario(4000 + warm + perSecond*seconds)
	for b.Loop() {
		r := loaded(b, es[:4000])
		r.run(b, 500)
		ctx, stop := context.WithCancel(b.Context())
		p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
		w := projector.NewWatcher(r.Pool, r.Base)
		done := make(chan error, 2)
		go func() { done <- p.Run(ctx) }()
		go func() { done <- w.Run(ctx) }()
		took := make(chan time.Duration, perSecond*seconds)
		failed := make(chan error, len(es))
		tick := time.NewTicker(time.Second / time.Duration(perSecond))
		for i, e := range es[4000:] {
			<-tick.C
			began := time.Now()
			go func() {
				ack, err := r.stream.Publisher().Publish(ctx, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
				if err == nil {
					err = w.Wait(ctx, ack.Sequence)
				}
				if err != nil {
					failed <- err
				}
				if i >= warm {
					took <- time.Since(began)
				}
			}()
		}
		tick.Stop()
		var all []time.Duration
		for range perSecond * seconds {
			all = append(all, <-took)
		}
		if len(failed) > 0 {
			b.Fatal(<-failed)
		}
		stop()
		<-done
		<-done
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, "p50-ms")
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds())/1000, "p99-ms")
		b.ReportMetric(0, "ns/op")
	}
}

// BenchmarkRebuild measures how many archived events a second the bulk path takes,
// beside a bare COPY of the same bytes in the same run, and the memory that the
// process holds most.
func BenchmarkRebuild(b *testing.B) {
	es := scenario(120_000)
	r := loaded(b, es)
	r.run(b, 500)
	for b.Loop() {
		b.StopTimer()
		if _, err := r.Pool.Exec(b.Context(), "DROP TABLE IF EXISTS "+r.Base+".bare"); err != nil {
			b.Fatal(err)
		}
		raw := r.bareCopy(b, es)
		runtime.GC()
		most := watchMemory(b)
		b.StartTimer()
		p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Log: slog.New(slog.DiscardHandler)})
		began := time.Now()
		if err := p.Rebuild(b.Context()); err != nil {
			b.Fatal(err)
		}
		rate := float64(len(es)) / time.Since(began).Seconds()
		b.ReportMetric(rate, "events/s")
		b.ReportMetric(rate/raw, "of-bare-copy")
		b.ReportMetric(most(), "heap-MB")
		b.ReportMetric(0, "ns/op")
	}
}

// watchMemory samples the heap in use until its result is asked for.
func watchMemory(b testing.TB) func() float64 {
	b.Helper()
	stop, result := make(chan struct{}), make(chan float64)
	go func() {
		var most uint64
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				result <- float64(most) / (1 << 20)
				return
			case <-tick.C:
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapInuse)
			}
		}
	}()
	return func() float64 { close(stop); return <-result }
}

// BenchmarkPublish is the raw limit of the demo's load: a bare pipelined publish
// with every message synced.
func BenchmarkPublish(b *testing.B) {
	es := scenario(10_000)
	for b.Loop() {
		b.StopTimer()
		r := newRegistry(b)
		b.StartTimer()
		began := time.Now()
		r.publish(b, es...)
		b.ReportMetric(float64(len(es))/time.Since(began).Seconds(), "events/s")
		b.ReportMetric(0, "ns/op")
	}
}
