package main

import (
	"context"
	"errors"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/services/web"
)

// A service that can keep events stays ready while NATS is away and says how many
// wait; once its spool is full it isn't ready.
func TestAServiceWithASpoolStaysReady(t *testing.T) {
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), AdminPassword: "only-for-this-test", MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	log, err := stream.Open(t.Context(), stream.Config{URL: server.ClientURL(), User: "lensledger", Password: "only-for-this-test", ManageStream: true, MaxBytes: 64 << 20})
	if err != nil {
		server.Close()
		t.Fatal(err)
	}
	t.Cleanup(log.Close)
	spool, err := spoolFlags{Spool: t.TempDir(), SpoolBytes: 12000}.openSpool(log.Publisher())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { spool.Close() })
	broken := errors.New("broken")
	checks := withSpool([]web.Check{
		{Name: "postgres", Run: func(context.Context) error { return broken }},
		{Name: "stream", Run: func(context.Context) error { return broken }},
		{Name: "projection", Run: func(context.Context) error { return broken }},
	}, log, spool)
	failing := func() (names string) {
		for _, c := range checks {
			if c.Run(t.Context()) != nil {
				names += c.Name + " "
			}
		}
		return names
	}
	if got := failing(); got != "postgres stream projection " {
		t.Errorf("the log is there: %s", got)
	}
	server.Close()
	for log.Connected() {
		time.Sleep(5 * time.Millisecond)
	}
	if err := spool.Keep(t.Context(), []stream.Outgoing{{Subject: stream.Subject("ehr", "DEP", "case", "booked"), MessageID: "1", Data: []byte("{}")}}); err != nil {
		t.Fatal(err)
	}
	if got, note := failing(), checks[3].Note(); got != "postgres " || note != "1 events wait for the log" {
		t.Errorf("the log is away: %s, %s", got, note)
	}
	for err == nil {
		err = spool.Keep(t.Context(), []stream.Outgoing{{Subject: "x", MessageID: "2", Data: make([]byte, 300)}})
	}
	if !errors.Is(err, stream.ErrSpoolFull) {
		t.Fatal(err)
	}
	// Up to the bound, so that nothing more of any size is taken.
	for size := 300; size > 0; size-- {
		_ = spool.Keep(t.Context(), []stream.Outgoing{{Subject: "x", MessageID: "3", Data: make([]byte, size)}})
	}
	if got := failing(); got != "postgres spool " {
		t.Errorf("the spool is full: %s", got)
	}
}
