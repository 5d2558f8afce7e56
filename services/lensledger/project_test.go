package main

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// The command `project`, against servers that are given by address: it makes the
// stream, follows it, and says how it is doing.
func TestProjectCommand(t *testing.T) {
	db := pgtest.New(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), AdminPassword: "pass-for-this-test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	address := strings.Replace(server.ClientURL(), "nats://", "nats://lensledger:pass-for-this-test@", 1)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	command := projectCommand{Listen: listener.Addr().String(),
		servers: servers{DatabaseURL: db.URL, NatsURL: address, Schema: db.Base, Replicas: 1, MaxBytes: 1 << 28}}
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- command.Run(ctx) }()
	w := projector.NewWatcher(db.Pool, db.Base)
	go func() { _ = w.Run(ctx) }() // ends with ctx
	ready := func() (string, bool) {
		answer, err := http.Get("http://" + command.Listen + "/readyz")
		if err != nil {
			return "", false
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		return string(body), err == nil && answer.StatusCode == http.StatusOK
	}
	for said, ok := ready(); !ok; said, ok = ready() {
		select {
		case err := <-ended:
			t.Fatal(err, said)
		case <-time.After(50 * time.Millisecond): // between two looks at a port that isn't open yet
		}
	}
	log, err := stream.Open(ctx, stream.Config{URL: address})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	e := events.Event{ID: "p1", Source: "ehr-harbour", Type: events.TypeCaseFinished, Subject: "K-1", Department: "HARBOUR",
		Time: time.Date(2025, 3, 12, 10, 0, 0, 0, time.UTC), Data: &events.CaseFinished{}}
	ack, err := log.Publisher().Publish(ctx, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Wait(ctx, ack.Sequence); err != nil {
		t.Fatal(err)
	}
	// The counts follow the commit, which the position has told of already.
	for _, want := range []string{`lensledger_projector_events_total{disposition="accepted"} 1`, "lensledger_projector_lag_seconds",
		"lensledger_projector_transaction_seconds_bucket"} {
		for !strings.Contains(metricsOf(t, command.Listen), want) {
			if time.Sleep(20 * time.Millisecond); ctx.Err() != nil {
				t.Fatalf("metrics without %s", want)
			}
		}
	}
	stop()
	if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func metricsOf(t *testing.T, address string) string {
	t.Helper()
	answer, err := http.Get("http://" + address + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
