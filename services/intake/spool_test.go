package intake

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/access"
)

// While the log is away, a service with a spool takes events and says that they
// are kept; once it is back they are in the log, as they were sent.
func TestEventsAreKeptWhileTheLogIsAway(t *testing.T) {
	cfg := stream.ServerConfig{StoreDir: t.TempDir(), AdminPassword: "only-for-this-test"}
	server, err := stream.StartServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscanf(server.ClientURL(), "nats://127.0.0.1:%d", &cfg.Port); err != nil {
		t.Fatal(err)
	}
	log, err := stream.Open(t.Context(), stream.Config{URL: server.ClientURL(), User: "lensledger", Password: cfg.AdminPassword, ManageStream: true, MaxBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(log.Close)
	spool, err := stream.OpenSpool(stream.SpoolConfig{Dir: t.TempDir(), Publisher: log.Publisher(), DirectWithin: 300 * time.Millisecond, Now: func() time.Time { return arrival }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { spool.Close() })
	w := newWorld(t, func(c *Config) {
		c.Spool, c.Projection, c.WaitWithin = spool, &projection{}, time.Second
		c.Now = func() time.Time { return arrival.Add(time.Minute) }
	})
	w.log = log

	sent := map[string]bool{}
	lines := func(from, to int) string {
		var b strings.Builder
		for n := from; n < to; n++ {
			one := booked(fmt.Sprintf("k-%d", n))
			sent[one] = true
			b.WriteString(one + "\n")
		}
		return b.String()
	}
	if a := w.post(t, "", contentTypeLines, strings.NewReader(lines(0, 300))); a.code != 202 || a.Receipt.Stored != 300 || a.Kept != 0 {
		t.Fatalf("the log is there: %d %.300s", a.code, a.text)
	}
	server.Close()
	a := w.post(t, "?wait=projected", contentTypeLines, strings.NewReader(lines(300, 900)+"{}\n"))
	if a.code != 202 || a.Kept != 600 || a.Refused != 1 || a.Receipt.Stored != 0 || a.NotStored != 0 {
		t.Fatalf("away: %d %.300s", a.code, a.text)
	}
	if r := a.Results[0]; r.Status != Kept || r.Sequence != 0 || r.Disposition != "" || r.ID != "k-300" {
		t.Errorf("%+v", r)
	}
	if a.Projected == nil || *a.Projected {
		t.Errorf("wait=projected of kept events: %v", a.Projected)
	}
	officer := access.Actor{Subject: "officer", Role: access.Quality, Departments: []string{"HARBOUR"}}
	review := events.Event{ID: "review-1", Source: access.DeskSource, Type: events.TypeAlarmReviewed, Subject: "CH-1", Department: "HARBOUR",
		Time: arrival, Data: &events.AlarmReviewed{Alarm: "A-1", Finding: "case-mix", By: "Q-1"}}
	if r, err := w.service.PublishAs(t.Context(), officer, review); err != nil || r.Status != Kept {
		t.Errorf("of the desk: %+v %v", r, err)
	}
	sent[string(review.Encode())] = true
	const gauges = `
# HELP lensledger_spool_oldest_seconds How long the oldest event that waits has waited, in seconds.
# TYPE lensledger_spool_oldest_seconds gauge
lensledger_spool_oldest_seconds 60
# HELP lensledger_spool_refused_events Events set aside in the spool because the log refuses them for good.
# TYPE lensledger_spool_refused_events gauge
lensledger_spool_refused_events 0
# HELP lensledger_spool_waiting_events Events kept here that the log doesn't have yet.
# TYPE lensledger_spool_waiting_events gauge
lensledger_spool_waiting_events 601
`
	if err := testutil.GatherAndCompare(w.reg, strings.NewReader(gauges), "lensledger_spool_waiting_events", "lensledger_spool_oldest_seconds", "lensledger_spool_refused_events"); err != nil {
		t.Error(err)
	}
	if problems, err := testutil.GatherAndLint(w.reg); err != nil || len(problems) > 0 {
		t.Errorf("lint: %v %v", problems, err)
	}

	if server, err = stream.StartServer(cfg); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	ended := make(chan error, 1)
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	go func() { ended <- spool.Run(ctx) }()
	w.waitFor(t, func() bool { state, err := spool.State(); return err == nil && state.Waiting == 0 })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	stored := map[string]bool{}
	for seq := uint64(1); seq <= w.last(t); seq++ {
		m, err := log.Get(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		stored[string(m.Data)] = true
		if !sent[string(m.Data)] {
			t.Errorf("nobody sent %s", m.Data)
		}
	}
	for one := range sent {
		if !stored[one] {
			t.Errorf("not in the log: %s", one)
		}
	}
	if a := w.post(t, "", structured, strings.NewReader(booked("k-300"))); a.code != http.StatusAccepted || a.Receipt.Duplicate != 1 {
		t.Errorf("sent again: %d %s", a.code, a.text)
	}
}
