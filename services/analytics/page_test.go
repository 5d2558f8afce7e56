package analytics

import (
	"encoding/base64"
	"encoding/json"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
)

// listed is any list.
type listed struct {
	AsOf struct{ Position uint64 } `json:"as_of"`
	N    int
	Next *string

	Alarms      []json.RawMessage
	Quarantined []json.RawMessage
	Events      []json.RawMessage
}

func (l listed) rows() []string {
	var out []string
	for _, row := range slices.Concat(l.Alarms, l.Quarantined, l.Events) {
		out = append(out, string(row))
	}
	return out
}

// testPages: pages turned while events arrive are those of the moment at which
// the first was asked for.
func (r *registry) testPages(t *testing.T) {
	for i, path := range []string{"/v1/alarms?", "/v1/quarantine?", "/v1/cases/HB-900/events?", "/v1/alarms?as_of=" + whole(r.last(t)) + "&"} {
		var all listed
		r.call(t, "quality", "GET", path+"limit=500", "").into(t, &all)
		if all.Next != nil || all.N != len(all.rows()) || all.N < 2 {
			t.Fatalf("%s: %d rows, next %v", path, all.N, all.Next)
		}
		var turned []string
		for next := path + "limit=1"; next != ""; {
			got := r.call(t, "quality", "GET", next, "")
			var p listed
			got.into(t, &p)
			if p.N != 1 || p.AsOf != all.AsOf {
				t.Fatalf("%s: %s", next, got.body)
			}
			if again := r.call(t, "quality", "GET", next, "", "If-None-Match", got.header.Get("ETag")); again.status != 304 {
				t.Errorf("%s asked again: %d", next, again.status)
			}
			turned = append(turned, p.rows()...)
			if next = ""; p.Next != nil {
				next = path + "limit=1&after=" + *p.Next
			}
			if len(turned) == 1 {
				r.disturb(t, i)
			}
		}
		if strings.Join(turned, "\n") != strings.Join(all.rows(), "\n") {
			t.Errorf("%s: turned\n%s\nwhole\n%s", path, strings.Join(turned, "\n"), strings.Join(all.rows(), "\n"))
		}
		var now listed
		if r.call(t, "quality", "GET", path+"limit=500", "").into(t, &now); !strings.Contains(path, "as_of") && slices.Equal(now.rows(), all.rows()) {
			t.Errorf("%s: what arrived meanwhile would not have shown", path)
		}
	}
	// A cursor belongs to its list, and can't be made by hand.
	var first listed
	r.call(t, "quality", "GET", "/v1/alarms?limit=1", "").into(t, &first)
	cursor := url.QueryEscape(*first.Next)
	for _, path := range []string{
		"/v1/quarantine?after=" + cursor, "/v1/alarms?as_of=7&after=" + cursor, "/v1/cases/HB-900/events?after=" + cursor,
		"/v1/alarms?after=7", "/v1/alarms?after=" + cursor[1:], "/v1/alarms?after=" + strings.Repeat("a", maxCursor+1),
		// A later position than the record has: what a restored record would be asked.
		"/v1/alarms?after=" + r.forge("/v1/alarms", "999999999"),
	} {
		p := r.call(t, "quality", "GET", path, "").problem(t, 400, "invalid")
		if len(p.Errors) != 1 || p.Errors[0].Pointer != "?after" || p.Errors[0].Detail == "" {
			t.Errorf("%s: %+v", path, p.Errors)
		}
	}
}

// disturb changes each of the lists.
func (r *registry) disturb(t *testing.T, i int) {
	t.Helper()
	n := whole(uint64(i))
	r.publish(t, retraction("HB-004", "HB-004-rupture"),
		eventOf("HARBOUR", "disturb-"+n, "HB-900", day(90, 9, i), events.TypeStepStarted, &events.StepStarted{Step: "draping"}))
	r.send(t, stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "case", "dreamed"), MessageID: "disturb-" + n, Data: []byte("{}")})
	// Something that waited is sent again; its time is read again on arrival, so
	// that it waits once more.
	var list quarantine
	r.call(t, "quality", "GET", "/v1/quarantine", "").into(t, &list)
	waits := slices.IndexFunc(list.Quarantined, func(q archive.Quarantined) bool { return q.Reason == events.CodeTime && q.ReleasedAs == nil })
	if waits < 1 {
		t.Fatalf("nothing waits behind the first row: %+v", list.Quarantined)
	}
	if got := r.call(t, "quality", "POST", "/v1/quarantine/"+whole(list.Quarantined[waits].Sequence)+"/replays", ""); got.status != 202 {
		t.Errorf("%d %s", got.status, got.body)
	}
	r.project(t)
}

// forge makes the cursor of a list by hand, as of a position.
func (r *registry) forge(path, position string) string {
	request := httptest.NewRequest("GET", path, nil)
	return base64.RawURLEncoding.EncodeToString([]byte(position + " " + r.service.listOf(request, nil) + " 0"))
}
