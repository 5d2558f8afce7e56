package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/projector"
	"lensledger/services/access"
)

// openPages is how many live pages a machine of two cores has to bear.
const openPages = 500

// How an open page behaves, as in services/portal/charts/live/live.js.
const (
	pageSoon   = 4 * time.Second // the first change shows within this time
	pagePause  = 4 * time.Second // the least time between two refreshes
	pageSpread = 2 * time.Second
	pageCosts  = 60 // the pause in times that a refresh took
	pageMost   = 60 * time.Second
)

// BenchmarkOpenPages publishes at a steady rate, first alone, then with 500 open
// pages that hear of changes and refresh as a page's script does, and measures what
// that does to the time from publishing to committed rows, and what pages cost.
// Pages, program, servers and publisher share the machine.
func BenchmarkOpenPages(b *testing.B) {
	const perSecond, filed = 50, 20_000
	length := 15 * time.Second
	var batch []stream.Outgoing
	for e := range simulate.Demo().Events() {
		batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
		if len(batch) == filed+2*perSecond*int(length.Seconds()) {
			break
		}
	}
	for b.Loop() {
		w := newWorld(b, func(log *stream.Stream) { send(b, log, batch[:filed]...) })
		w.wait(b)
		rest := batch[filed:]
		half := len(rest) / 2
		alone := w.publishSteadily(b, rest[:half], perSecond)

		pages := w.openPages(b)
		pages.opened.Wait()
		before := processorTime()
		shared := w.publishSteadily(b, rest[half:], perSecond)
		busy := processorTime() - before
		waiting, age, err := w.app.projector.Lag(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		pages.close()
		if len(pages.failed) > 0 {
			b.Fatalf("%d pages failed: %v", len(pages.failed), pages.failed[0])
		}
		if age > time.Second {
			b.Errorf("the projector fell behind: %d events wait, the oldest for %s", waiting, age)
		}
		b.ReportMetric(milliseconds(quantile(alone, 50)), "alone-p50-ms")
		b.ReportMetric(milliseconds(quantile(alone, 99)), "alone-p99-ms")
		b.ReportMetric(milliseconds(quantile(shared, 50)), "shared-p50-ms")
		b.ReportMetric(milliseconds(quantile(shared, 99)), "shared-p99-ms")
		b.ReportMetric(milliseconds(quantile(pages.took, 50)), "page-p50-ms")
		b.ReportMetric(milliseconds(quantile(pages.took, 99)), "page-p99-ms")
		b.ReportMetric(float64(len(pages.took))/length.Seconds(), "pages/s")
		b.ReportMetric(float64(pages.heard)/length.Seconds(), "events-heard/s")
		b.ReportMetric(busy.Seconds()/length.Seconds(), "cores-without-postgres")
		b.ReportMetric(0, "ns/op")
		b.Logf("%d cores; %d pages refreshed %d times, %.1f kB each", runtime.NumCPU(), openPages, len(pages.took), float64(pages.bytes)/1000/float64(max(1, len(pages.took))))
	}
}

func quantile(all []time.Duration, percent int) time.Duration {
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[min(len(all)-1, len(all)*percent/100)]
}

// processorTime is that of this process: program, pages and publisher.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// publishSteadily gives the times from publishing to committed rows.
func (w *world) publishSteadily(b *testing.B, events []stream.Outgoing, perSecond int) []time.Duration {
	b.Helper()
	var mu sync.Mutex
	var took []time.Duration
	var failure error
	var all sync.WaitGroup
	tick := time.NewTicker(time.Second / time.Duration(perSecond))
	defer tick.Stop()
	for _, e := range events {
		<-tick.C
		all.Go(func() {
			began := time.Now()
			ack, err := w.log.Publisher().Publish(b.Context(), e)
			if err == nil {
				err = w.app.watcher.Wait(b.Context(), ack.Sequence)
			}
			mu.Lock()
			defer mu.Unlock()
			took = append(took, time.Since(began))
			if err != nil {
				failure = err
			}
		})
	}
	all.Wait()
	if failure != nil {
		b.Fatal(failure)
	}
	return took
}

// opened are the open pages and what they saw.
type opened struct {
	opened sync.WaitGroup // done when each hears of changes
	closed sync.WaitGroup
	stop   context.CancelFunc

	mu     sync.Mutex
	took   []time.Duration
	heard  int
	bytes  int64
	failed []error
}

// openPages opens pages of ten people of each role that has any.
func (w *world) openPages(b *testing.B) *opened {
	b.Helper()
	ctx, stop := context.WithCancel(b.Context())
	p := &opened{stop: stop}
	kinds := []struct {
		who   access.Actor
		pages []string
	}{
		{access.Actor{Role: access.Quality, Departments: []string{"HARBOUR"}}, []string{"/alarms", "/departments/HARBOUR", "/departments/HARBOUR/lenses"}},
		{access.Actor{Role: access.Trainee, Surgeon: "S-014", Departments: []string{"HARBOUR"}}, []string{"/my/charts", "/my/progress"}},
		{access.Actor{Role: access.Trainer, Surgeon: "C-01", Supervises: []string{"S-014"}, Departments: []string{"HARBOUR"}}, []string{"/my/reviews", "/my/charts?surgeon=S-014"}},
	}
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: openPages, DisableCompression: true}}
	for i := range openPages {
		kind := kinds[i%len(kinds)]
		who := kind.who
		who.Subject = fmt.Sprintf("%s-%d", who.Role, i/len(kinds)%10)
		token, err := w.issuer.Token(who)
		if err != nil {
			b.Fatal(err)
		}
		ask := func(path string) (*http.Response, error) {
			r, err := http.NewRequestWithContext(ctx, http.MethodGet, w.url+path, nil)
			if err != nil {
				return nil, err
			}
			r.Header.Set("Authorization", "Bearer "+token)
			r.Header.Set("Accept-Encoding", "gzip")
			answer, err := client.Do(r)
			if err == nil && answer.StatusCode != http.StatusOK {
				_ = answer.Body.Close()
				err = fmt.Errorf("%s as %s: %s", path, who.Subject, answer.Status)
			}
			return answer, err
		}
		path := kind.pages[(i/len(kinds))%len(kind.pages)]
		p.opened.Add(1)
		p.closed.Go(func() { p.live(ctx, ask, path) })
	}
	return p
}

// live is one open page: it hears of changes and refreshes.
func (p *opened) live(ctx context.Context, ask func(string) (*http.Response, error), path string) {
	stream, err := ask("/v1/changes")
	if err != nil {
		p.opened.Done()
		p.fail(ctx, err)
		return
	}
	defer func() { _ = stream.Body.Close() }()
	changed := make(chan struct{}, 1)
	go func() {
		first := true
		for lines := bufio.NewScanner(stream.Body); lines.Scan(); {
			if !strings.HasPrefix(lines.Text(), "data: ") {
				continue
			}
			if first { // where the record stands, which the page shows already
				first = false
				p.opened.Done()
				continue
			}
			p.mu.Lock()
			p.heard++
			p.mu.Unlock()
			select {
			case changed <- struct{}{}:
			default:
			}
		}
	}()
	notBefore := time.Now()
	for {
		select {
		case <-changed:
		case <-ctx.Done():
			return
		}
		select {
		case <-time.After(max(time.Duration(rand.Int64N(int64(pageSoon))), time.Until(notBefore))):
		case <-ctx.Done():
			return
		}
		began := time.Now()
		page, err := ask(path)
		if err != nil {
			p.fail(ctx, err)
			return
		}
		n, err := io.Copy(io.Discard, page.Body)
		_ = page.Body.Close()
		if err != nil {
			p.fail(ctx, err)
			return
		}
		took := time.Since(began)
		p.mu.Lock()
		p.took = append(p.took, took)
		p.bytes += n
		p.mu.Unlock()
		notBefore = time.Now().Add(min(pageMost, max(pagePause, pageCosts*took)) + time.Duration(rand.Int64N(int64(pageSpread))))
	}
}

func (p *opened) fail(ctx context.Context, err error) {
	if ctx.Err() != nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.failed = append(p.failed, err)
}

func (p *opened) close() {
	p.stop()
	p.closed.Wait()
}
