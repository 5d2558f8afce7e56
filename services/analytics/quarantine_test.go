package analytics

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/department"
	"lensledger/projections/projector"
)

func (r *registry) testQuarantine(t *testing.T) {
	subject := stream.Subject("ehr-harbour", "HARBOUR", "case", "dreamed")
	future := eventOf("HARBOUR", "future", "HB-990", time.Now().Add(20*time.Minute).UTC().Truncate(time.Second), events.TypeCaseFinished, &events.CaseFinished{})
	before := r.last(t)
	r.send(t,
		stream.Outgoing{Subject: subject, MessageID: "q1", Data: []byte(`{"specversion":"1.0","id":"q1","source":"ehr-harbour","type":"lensledger.case.dreamed.v1","subject":"HB-991","department":"HARBOUR","time":"2025-03-12T10:00:00Z"}`)},
		stream.Outgoing{Subject: subject, MessageID: "q2", Data: append([]byte("\xff\xfe no text "), strings.Repeat("é", 1500)...)},
		stream.Outgoing{Subject: stream.Subject("ehr-inland", "INLAND", "case", "dreamed"), MessageID: "q3", Data: []byte("{}")},
		stream.Outgoing{Subject: projector.SubjectOf(future), MessageID: future.MessageID(), Data: future.Encode()},
	)
	var list quarantine
	r.call(t, "integrator", "GET", "/v1/quarantine", "").into(t, &list)
	if list.N != 3 || list.Next != nil || list.AsOf.Position != before+4 {
		t.Fatalf("%+v", list)
	}
	unknown, unreadable, early := list.Quarantined[0], list.Quarantined[1], list.Quarantined[2]
	if unknown.Sequence != before+1 || unknown.Reason != events.CodeUnknownType || len(unknown.Problems) == 0 || !strings.Contains(unknown.Sample, "case.dreamed") {
		t.Errorf("%+v", unknown)
	}
	if unreadable.Source != "ehr-harbour" || unreadable.Bytes != 11+3000 || !strings.HasPrefix(unreadable.Sample, "� no text é") || !strings.HasSuffix(unreadable.Sample, "é") {
		t.Errorf("%+v", unreadable)
	}
	if early.Reason != events.CodeTime {
		t.Errorf("%+v", early)
	}
	reasons := map[string]int{}
	for _, c := range list.Counts {
		if c.Source != "ehr-harbour" || c.Department != "HARBOUR" || c.Released != 0 {
			t.Errorf("%+v", c)
		}
		reasons[c.Reason] = c.Waiting
	}
	if len(reasons) != 3 || reasons[events.CodeUnknownType] != 1 || reasons[events.CodeTime] != 1 || reasons[unreadable.Reason] != 1 {
		t.Errorf("counted by reason: %v", reasons)
	}
	first := r.call(t, "quality", "GET", "/v1/quarantine", "")
	var missing department.Reconciliation
	r.call(t, "quality", "GET", "/v1/departments/HARBOUR/completeness?from=2025-01&to=2025-12", "").into(t, &missing)
	if missing.LeftOut.Waiting != 3 || len(missing.LeftOut.Quarantined) != 3 || missing.LeftOut.InConflict != 1 {
		t.Errorf("left out of the figures: %+v", missing.LeftOut)
	}
	if again := r.call(t, "quality", "GET", "/v1/quarantine", "", "If-None-Match", first.header.Get("ETag")); again.status != 304 {
		t.Errorf("asked again: %d", again.status)
	}
	if r.call(t, "inland", "GET", "/v1/quarantine", "").into(t, &list); list.N != 1 || list.Quarantined[0].Source != "ehr-inland" {
		t.Errorf("%+v", list)
	}

	replay := func(who string, sequence string) answer {
		return r.call(t, who, "POST", "/v1/quarantine/"+sequence+"/replays", "")
	}
	for _, sequence := range []string{whole(before + 3), "1", "999999", "-1", "x", "99999999999999999999"} {
		replay("quality", sequence).problem(t, http.StatusNotFound, "not-found")
	}
	p := replay("quality", whole(before+1)).problem(t, http.StatusUnprocessableEntity, "refused")
	if len(p.Errors) == 0 || p.Errors[0].Code != events.CodeUnknownType {
		t.Errorf("%+v", p)
	}
	mapped := r.call(t, "quality", "POST", "/v1/quarantine/"+whole(before+1)+"/replays", `{"mappings":[{"pointer":"/id","found":"q1","meant":"q9"}]}`)
	if p := mapped.problem(t, http.StatusUnprocessableEntity, "refused"); len(p.Errors) != 1 || p.Errors[0].Code != events.CodeMapping || p.Errors[0].Pointer != "/id" {
		t.Errorf("%+v", p)
	}
	r.call(t, "quality", "POST", "/v1/quarantine/"+whole(before+1)+"/replays", `{"mapping":[]}`).problem(t, http.StatusBadRequest, "invalid")
	// The time is read again on arrival: it goes to quarantine again, under the
	// position it was given.
	var again replayed
	if got := replay("quality", whole(early.Sequence)); got.status != http.StatusAccepted {
		t.Fatalf("%d %s", got.status, got.body)
	} else if got.into(t, &again); again.Sequence != early.Sequence || again.ReleasedAs != before+5 {
		t.Errorf("%+v", again)
	}
	replay("quality", whole(early.Sequence)).problem(t, http.StatusUnprocessableEntity, "refused")
	// What was sent again is noted at once, before any position moves.
	if noted := r.call(t, "quality", "GET", "/v1/quarantine", "", "If-None-Match", first.header.Get("ETag")); noted.status != 200 {
		t.Errorf("after a replay: %d", noted.status)
	}
	r.project(t)
	r.call(t, "quality", "GET", "/v1/quarantine", "").into(t, &list)
	if q := list.Quarantined[2]; q.ReleasedAs == nil || *q.ReleasedAs != before+5 {
		t.Errorf("%+v", q)
	}
	for _, c := range list.Counts { // it waits again, under its new position
		if c.Reason == events.CodeTime && (c.Waiting != 1 || c.Released != 1) {
			t.Errorf("%+v", c)
		}
	}

	// The books add up to the stream's last position for whoever sees them all.
	var in Intake
	r.call(t, "administrator", "GET", "/v1/intake", "").into(t, &in)
	if in.N != int64(r.last(t)) || in.Counts["quarantined"] != 5 || in.Counts["conflict"] != 1 || in.Lag == nil || in.Lag.Events != 0 {
		t.Errorf("%+v, last %d", in, r.last(t))
	}
	r.call(t, "integrator", "GET", "/v1/intake", "").into(t, &in)
	if len(in.Sources) != 1 || in.Sources[0].Source != "ehr-harbour" || in.Sources[0].Counts["quarantined"] != 4 ||
		in.Sources[0].LastSequence != before+5 || time.Since(in.Sources[0].LastSeen) > time.Hour {
		t.Errorf("%+v", in.Sources)
	}
	var added int64
	for _, n := range in.Sources[0].Counts {
		added += n
	}
	if in.Sources[0].N != added || in.N != added {
		t.Errorf("%+v", in)
	}
	r.call(t, "auditor", "GET", "/v1/intake", "").problem(t, http.StatusForbidden, "forbidden")
	r.call(t, "quality", "GET", "/v1/intake?source=x", "").problem(t, http.StatusBadRequest, "invalid")
}

// Without the database the answer says so, and nothing of how it is reached.
func TestDatabaseAway(t *testing.T) {
	a := calculators(t)
	for _, path := range []string{"/v1/alarms", "/v1/cases/HB-1", "/v1/intake", "/v1/quarantine", "/v1/surgeons/S-014/charts",
		"/v1/changes", "/v1/departments/HARBOUR/benchmarks?from=2025-01&to=2025-02"} {
		got := a.call(t, "quality", "GET", path, "")
		got.problem(t, http.StatusServiceUnavailable, "unavailable")
		for _, word := range []string{"127.0.0.1", "nobody", "SELECT", "SQL", "dial", "pgx"} {
			if strings.Contains(got.body, word) {
				t.Errorf("%s: the answer says %q: %s", path, word, got.body)
			}
		}
	}
	if !strings.Contains(a.log.String(), "record not available") {
		t.Errorf("the log doesn't say why: %s", a.log)
	}
}
