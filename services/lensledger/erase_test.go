package main

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// The command `erase`, against servers given by address, with the credential that
// may erase and with one that may not.
func TestEraseCommand(t *testing.T) {
	db := pgtest.New(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: quickDir(t), AdminPassword: "admin-for-this-test", ErasePassword: "erase-for-this-test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	log, err := stream.Open(t.Context(), stream.Config{Server: server, ManageStream: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(log.Close)
	const canary = "CANARY-4711"
	e := events.Event{ID: "e1", Source: "ehr-harbour", Type: events.TypeCaseBooked, Subject: "K-1", Department: "HARBOUR",
		Time: time.Date(2025, 3, 12, 10, 0, 0, 0, time.UTC), Data: &events.CaseBooked{Patient: canary, Eye: "left"}}
	if _, err := log.Publisher().Publish(t.Context(), stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	p := projector.New(projector.Config{Pool: db.Pool, Base: db.Base, Stream: log, Log: slog.New(slog.DiscardHandler)})
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	defer func() { stop(); <-ended }()
	as := func(user, inbox string) servers {
		return servers{DatabaseURL: db.URL, Schema: db.Base, Replicas: 1, InboxPrefix: inbox,
			NatsURL: strings.Replace(server.ClientURL(), "nats://", "nats://lensledger"+user+"-for-this-test@", 1)}
	}
	eraser := as("-erase:erase", stream.InboxPrefix("lensledger-erase"))
	for _, bad := range []eraseCommand{
		{servers: eraser, Reason: "asked for"}, {servers: eraser, Patient: canary, Surgeon: canary, Reason: "asked for"},
		{servers: eraser, Patient: canary}, {Patient: canary, Reason: "asked for"},
	} {
		bad.Wait = 30 * time.Second
		if err := bad.Run(t.Context()); err == nil || strings.Contains(err.Error(), canary) {
			t.Errorf("%v", err)
		}
	}
	var denied *stream.DeniedError
	admin := eraseCommand{servers: as(":admin", ""), Patient: canary, Reason: "asked for", Wait: 30 * time.Second}
	if err := admin.Run(t.Context()); !errors.As(err, &denied) {
		t.Errorf("with the service's own credential: %v", err)
	}
	command := eraseCommand{servers: eraser, Patient: canary, Reason: "asked for", Scrub: true, Wait: 30 * time.Second}
	if err := command.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	m, err := log.Get(t.Context(), 1)
	if err != nil || m.Replacement == nil || strings.Contains(string(m.Data), canary) {
		t.Errorf("the first event now: %+v, %v", m, err)
	}
	var patient string
	if err := db.Pool.QueryRow(t.Context(), "SELECT patient FROM operation WHERE case_code = 'K-1'").Scan(&patient); err != nil || !strings.HasPrefix(patient, "E-") {
		t.Errorf("the patient is %q, %v", patient, err)
	}
}

// The server's configuration for operators lets exactly one user erase.
func TestOneUserErases(t *testing.T) {
	conf := readDoc(t, "deploy/nats.conf")
	for _, subject := range stream.ErasePermissions("lensledger-erase").Publish {
		if !strings.Contains(conf, `"`+subject+`"`) {
			t.Errorf("deploy/nats.conf doesn't let the erasing user publish on %s", subject)
		}
	}
	for _, subject := range []string{"$JS.API.STREAM.MSG.DELETE.CASES", "cases.v1.$erased.>"} {
		allowed, denied := 0, 0
		for _, line := range strings.Split(conf, "\n") {
			allow, deny, _ := strings.Cut(line, "deny:")
			allowed += strings.Count(allow, `"`+subject+`"`)
			denied += strings.Count(deny, `"`+subject+`"`)
		}
		if allowed != 1 || denied != 1 {
			t.Errorf("deploy/nats.conf allows %s to %d users and denies it to %d", subject, allowed, denied)
		}
	}
}
