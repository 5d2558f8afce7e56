package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/services/access"
)

// freePort is a port on which nothing listens for now.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// later is a service with a spool that starts while NATS is away.
func later(t *testing.T, expectEpoch string) (w *world, port int, ended <-chan error) {
	t.Helper()
	w = &world{DB: pgtest.New(t)}
	port = freePort(t)
	var err error
	if w.issuer, err = access.NewDevIssuer(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	if w.log, err = stream.Open(t.Context(), stream.Config{URL: fmt.Sprintf("nats://127.0.0.1:%d", port), User: "lensledger", Password: "only-for-this-test",
		ManageStream: true, MaxBytes: 64 << 20, ConnectLater: true, ExpectEpoch: expectEpoch}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(w.log.Close)
	spool, err := spoolFlags{Spool: t.TempDir(), SpoolBytes: 1 << 20}.openSpool(w.log.Publisher())
	if err != nil {
		t.Fatal(err)
	}
	pool, err := pg.Connect(t.Context(), w.URL, w.Base, poolSize)
	if err != nil {
		t.Fatal(err)
	}
	ready := make(chan string, 1)
	if w.app, err = newApp(t.Context(), appConfig{Pool: pool, Schema: w.Base, Stream: w.log, Spool: spool, Listen: "127.0.0.1:0", Project: true,
		Issuers: []access.Issuer{w.issuer.Issuer()}, Ready: func(_ context.Context, addr string) error { ready <- addr; return nil }}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	end, done := make(chan error, 1), make(chan struct{})
	go func() {
		end <- w.app.Run(ctx)
		close(done)
	}()
	t.Cleanup(func() {
		cancel()
		http.DefaultClient.CloseIdleConnections()
		<-done
		pool.Close()
		if err := spool.Close(); err != nil {
			t.Error(err)
		}
	})
	w.url = "http://" + <-ready
	return w, port, end
}

// A service that is started while NATS is away takes events all the same, and
// delivers them once NATS is there.
func TestServeStartsWithoutNATS(t *testing.T) {
	w, port, _ := later(t, "")
	got := w.post(t, integrator("ehr-harbour", "HARBOUR"), oneEvent, harbour("kept-at-start", "case.booked", "K-1", rightEye).json())
	if len(got.Results) != 1 || got.Results[0].Status != "kept" {
		t.Fatalf("while NATS is away: %+v", got)
	}
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), Port: port, AdminPassword: "only-for-this-test", MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	if err := w.app.watcher.Wait(ctx, 1); err != nil {
		t.Fatal(err)
	}
	w.checkBooks(t)
	var subject string
	if err := w.Pool.QueryRow(ctx, "SELECT subject FROM event_log WHERE id = 'kept-at-start'").Scan(&subject); err != nil || subject != "K-1" {
		t.Errorf("delivered: %q, %v", subject, err)
	}
}

// The stream that comes later has to be the one of record.
func TestServeEndsOnAnotherStream(t *testing.T) {
	_, port, ended := later(t, "6d0c9c7e-1111-4222-8333-444455556666")
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), Port: port, AdminPassword: "only-for-this-test", MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	other, err := stream.Open(t.Context(), stream.Config{URL: server.ClientURL(), User: "lensledger", Password: "only-for-this-test", ManageStream: true, MaxBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	other.Close()
	var epoch *stream.EpochError
	select {
	case err := <-ended:
		if !errors.As(err, &epoch) {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(5 * time.Minute):
		t.Error("it goes on with another stream")
	}
}
