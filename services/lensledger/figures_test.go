package main

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/projector"
	"lensledger/services/access"
)

// The command prints what the route answers, to the byte.
func TestFiguresCommand(t *testing.T) {
	w := newWorld(t, nil)
	var batch []stream.Outgoing
	for i := range 30 {
		for k, data := range []any{&events.CaseStarted{FirstOperator: "S-1"}, &events.ComplicationRecorded{Kind: events.KindCapsuleRupture}, &events.CaseFinished{}} {
			e := events.Event{ID: fmt.Sprintf("f%d-%d", i, k), Source: "ehr-harbour", Department: "HARBOUR", Subject: fmt.Sprintf("F-%d", i), Data: data,
				Type: []events.Type{events.TypeCaseStarted, events.TypeComplicationRecorded, events.TypeCaseFinished}[k],
				Time: time.Date(2025, 3, 1+i, 9, 10*k, 0, 0, time.UTC)}
			if k != 1 || i < 3 {
				batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
			}
		}
	}
	send(t, w.log, batch...)
	w.wait(t)
	status, body := w.request(t, access.Actor{Subject: "u", Role: access.Auditor, Departments: []string{"HARBOUR"}}, http.MethodGet, "/v1/figures?from=2025-03&to=2025-03", "", "")
	if status != http.StatusOK || !strings.Contains(string(body), `"events":null,"n":30`) {
		t.Fatalf("%d %s", status, body)
	}
	for _, departments := range [][]string{nil, {"HARBOUR"}} {
		var out, note bytes.Buffer
		command := figuresCommand{From: "2025-03", To: "2025-03", Department: departments}
		if err := command.print(t.Context(), w.Pool, &out, &note); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(out.Bytes(), body) {
			t.Errorf("the command prints\n%sthe route answers\n%s", out.String(), body)
		}
		if want := fmt.Sprintf("sha256 %x, position %d, ", sha256.Sum256(body), len(batch)); !strings.HasPrefix(note.String(), want) {
			t.Errorf("%s, want %s", note.String(), want)
		}
	}
	var out bytes.Buffer
	if err := (&figuresCommand{From: "2025-03", To: "2025-03", CSV: true, SmallCounts: true}).print(t.Context(), w.Pool, &out, &out); err != nil || !strings.Contains(out.String(), ",30,3,30,") {
		t.Errorf("%v %s", err, out.String())
	}
	if err := (&figuresCommand{From: "2025-03-02", To: "2025-03"}).print(t.Context(), w.Pool, &out, &out); err == nil {
		t.Error("part of a month was taken")
	}
}
