package intake

import (
	"encoding/json"
	"strings"
	"testing"

	"lensledger/services/access"
)

// What a page says of pasted events is what POST /v1/events?dry_run=true answers, in
// each form, and nothing is stored.
func TestCheckIsADryRun(t *testing.T) {
	w := newWorld(t, nil)
	ehr := access.Actor{Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR", "HILL"}}
	good, bad := booked("k-1"), strings.Replace(booked("k-2"), `"HARBOUR"`, `"ELSEWHERE"`, 1)
	for _, c := range []struct{ name, text, media, form string }{
		{"one", good, structured, FormOne},
		{"one of somebody else", " \n" + bad, structured, FormOne},
		{"one, on many lines", strings.ReplaceAll(good, `,"`, ",\n\""), structured, FormOne},
		{"broken", good[:len(good)-2], structured, FormOne},
		{"words", "hello", structured, FormOne},
		{"a list", "[" + good + ",\n" + bad + "]", "application/cloudevents-batch+json", FormBatch},
		{"a broken list", "[" + good + ",", "application/cloudevents-batch+json", FormBatch},
		{"an empty list", "[]", "application/cloudevents-batch+json", FormBatch},
		{"lines", good + "\r\n\n" + bad + "\n{}\n", "application/x-ndjson", FormLines},
		{"lines, the last broken", good + "\n" + bad[:40], "application/x-ndjson", FormLines},
		{"too long", `{"id":"` + strings.Repeat("x", 300<<10) + `"}`, structured, FormOne},
	} {
		receipt, form, failure := w.service.Check(t.Context(), ehr, c.text)
		if form != c.form {
			t.Errorf("%s: read as %s, want %s", c.name, form, c.form)
		}
		sent := c.text
		if c.media == structured {
			sent = strings.TrimSpace(sent)
		}
		a := w.post(t, "?dry_run=true", c.media, strings.NewReader(sent))
		if (failure != nil) != (a.Detail != "") || failure != nil && failure.Message != a.Detail {
			t.Errorf("%s: %v, over HTTP %q", c.name, failure, a.Detail)
		}
		if a.Results == nil {
			a.Results = []Result{} // an answer of a problem alone has none
		}
		got, want := asText(t, receipt.Results), asText(t, a.Results)
		if got != want || receipt.Valid != a.Valid || receipt.Refused != a.Refused {
			t.Errorf("%s:\n%s\nover HTTP\n%s", c.name, got, want)
		}
	}
	if last := w.last(t); last != 0 {
		t.Errorf("%d events are stored", last)
	}
}

func asText(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
