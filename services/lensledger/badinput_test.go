package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/web"
)

var (
	sender  = integrator("ehr-harbour", "HARBOUR")
	officer = quality("HARBOUR")
)

// harbour is a fact of the sender, at ten in the morning of a day of March 2025.
func harbour(id, kind, subject, data string) fact {
	return fact{id: id, source: "ehr-harbour", department: "HARBOUR", kind: kind, subject: subject, at: "2025-03-12T10:00:00+00:00", data: data}
}

const rightEye = `{"patient":"P-1","eye":"right"}`

// badInput is each way in which an event can be wrong, with the one problem that
// it must be answered with. The word is part of the explanation.
var badInput = []struct {
	name, body, pointer, code, word string
}{
	{"no JSON", `{"specversion":`, "", "not-json", ""},
	{"no id", strings.Replace(harbour("b", "case.booked", "B-1", rightEye).json(), `"id":"b",`, "", 1), "/id", "envelope", "id"},
	{"time without offset", strings.Replace(harbour("b", "case.booked", "B-1", rightEye).json(), "+00:00", "", 1), "/time", "time", "offset"},
	{"in the future", strings.Replace(harbour("b", "case.booked", "B-1", rightEye).json(), "2025", "2125", 1), "/time", "time", "10 minutes"},
	{"an eye that is neither", harbour("b", "case.booked", "B-1", `{"patient":"P-1","eye":"middle"}`).json(), "/data/eye", "not-allowed", "middle"},
	{"no eye", harbour("b", "case.booked", "B-1", `{"patient":"P-1"}`).json(), "/data/eye", "missing", "required"},
	{"an axis of 181", harbour("b", "lens.implanted", "B-1", `{"axis_deg":181}`).json(), "/data/axis_deg", "out-of-range", "181"},
	{"an eye of 41 mm", harbour("b", "preop.assessed", "B-1", `{"axial_length_um":41000}`).json(), "/data/axial_length_um", "out-of-range", "41000"},
	{"an implant between quarters", harbour("b", "lens.implanted", "B-1", `{"power_d":21.3}`).json(), "/data/power_d", "", "21.3"},
	{"an unknown field", harbour("b", "case.booked", "B-1", `{"patient":"P-1","eye":"right","surname":"x"}`).json(), "/data/surname", "unknown-field", "surname"},
	{"text for a number", harbour("b", "preop.assessed", "B-1", `{"age_years":"75"}`).json(), "/data/age_years", "wrong-type", "75"},
	{"a NUL in text", harbour("b", "lens.implanted", "B-1", `{"lens_model":"A\u0000B"}`).json(), "/data/lens_model", "", ""},
	{"too deep", harbour("b", "case.booked", "B-1", `{"patient":`+strings.Repeat("[", 40)+strings.Repeat("]", 40)+`}`).json(), "", "not-json", "16"},
	{"someone else's code", harbour("b", "case.booked", "Jane Doe", rightEye).json(), "/subject", "not-allowed", "Jane Doe"},
	{"an unknown type", harbour("b", "case.imagined", "B-1", rightEye).json(), "/type", "unknown-type", "case.imagined"},
	{"a newer version", strings.Replace(harbour("b", "case.booked", "B-1", rightEye).json(), "booked.v1", "booked.v2", 1), "/type", "newer-version", "version 2"},
}

func TestBadInputOverHTTP(t *testing.T) {
	w := newWorld(t, nil)
	last := func() uint64 {
		info, err := w.log.Info(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return info.Last
	}
	cases := append(badInput[:len(badInput):len(badInput)], []struct{ name, body, pointer, code, word string }{
		{"too large", harbour("b", "case.booked", "B-1", `{"patient":"`+strings.Repeat("P", events.MaxBytes)+`","eye":"right"}`).json(), "", "not-json", "262144"},
		{"someone else's source", fact{id: "b", source: "ehr-moorland", department: "HARBOUR", kind: "case.booked", subject: "B-1",
			at: "2025-03-12T10:00:00+00:00", data: rightEye}.json(), "/source", "not-yours", "ehr-moorland"},
		{"someone else's department", fact{id: "b", source: "ehr-harbour", department: "MOORLAND", kind: "case.booked", subject: "B-1",
			at: "2025-03-12T10:00:00+00:00", data: rightEye}.json(), "/department", "not-yours", "MOORLAND"},
		{"a correction of someone else's", harbour("b", "event.retracted", "B-1", `{"target_source":"ehr-moorland","target_id":"x"}`).json(),
			"/data/target_source", "not-yours", "ehr-moorland"},
	}...)
	for _, c := range cases {
		r := w.post(t, sender, oneEvent, c.body)
		if r.Status != http.StatusUnprocessableEntity || r.Refused != 1 || len(r.Results) != 1 || len(r.Results[0].Problems) != 1 {
			t.Errorf("%s: %d %.400s", c.name, r.Status, r.Text)
			continue
		}
		p := r.Results[0].Problems[0]
		if p.Pointer != c.pointer || c.code != "" && p.Code != c.code || !strings.Contains(p.Detail, c.word) {
			t.Errorf("%s: %+v", c.name, p)
		}
	}
	if r := w.post(t, sender, oneEvent, strings.Repeat(" ", web.MaxBodyBytes+1)); r.Status != http.StatusRequestEntityTooLarge {
		t.Errorf("a body over 10 MB: %d %.200s", r.Status, r.Text)
	}
	// One problem for each fault, all at once.
	r := w.post(t, sender, oneEvent, strings.Replace(harbour("b", "preop.assessed", "B-1", `{"age_years":200,"sex":"x","keratometry":{"k1_d":80,"k2_d":44}}`).json(), "HARBOUR", "MOORLAND", 1))
	var pointers []string
	for _, p := range r.Results[0].Problems {
		pointers = append(pointers, p.Pointer)
	}
	if r.Status != 422 || fmt.Sprint(pointers) != "[/data/age_years /data/sex /data/keratometry/k1_d /department]" {
		t.Errorf("several faults: %d %v", r.Status, pointers)
	}
	if n := last(); n != 0 {
		t.Fatalf("%d bad events were stored", n)
	}
	// What stands beside a bad event is taken.
	r = w.post(t, sender, lines, harbour("g-1", "case.booked", "G-1", rightEye).json()+"\n"+badInput[4].body+"\n"+harbour("g-2", "case.booked", "G-2", rightEye).json())
	if r.Status != http.StatusAccepted || r.Stored != 2 || r.Refused != 1 || r.Results[1].Status != "refused" || last() != 2 {
		t.Errorf("a bad event among good ones: %d %.500s", r.Status, r.Text)
	}
	w.checkBooks(t)
}

// A publisher on NATS gets no answer: what is wrong goes to quarantine with its
// bytes and the reason, and the rest goes on.
func TestBadInputOverNATS(t *testing.T) {
	w := newWorld(t, nil)
	good := harbour("g-1", "case.booked", "G-1", rightEye)
	batch := []stream.Outgoing{good.outgoing()}
	type wanted struct{ name, reason, pointer, body string }
	var want []wanted
	spoiled := func(name, body, reason, pointer string) {
		out := good.outgoing()
		out.MessageID, out.Data = "bad/"+name, []byte(body)
		if strings.Contains(body, "case.imagined") {
			out.Subject = "cases.v1.ehr-harbour.HARBOUR.case.imagined"
		}
		batch = append(batch, out)
		want = append(want, wanted{name, reason, pointer, body})
	}
	for _, c := range badInput {
		spoiled(c.name, c.body, c.code, c.pointer)
	}
	spoiled("bytes that are no text", "\xff\xfe\x00", "not-json", "")
	// The broker's subject vouches for who sent it: an event that says otherwise isn't taken.
	spoiled("someone else's source", strings.Replace(good.json(), "ehr-harbour", "ehr-moorland", 1), "subject-differs", "")
	spoiled("someone else's department", strings.Replace(good.json(), "HARBOUR", "MOORLAND", 1), "subject-differs", "")
	batch = append(batch, harbour("g-2", "case.booked", "G-2", rightEye).outgoing())
	send(t, w.log, batch...)
	w.wait(t)

	var listed struct {
		Quarantined []struct {
			Sequence               uint64
			Source, Reason, Sample string
			Bytes                  int
			Problems               []struct{ Pointer, Detail string }
		}
	}
	w.get(t, officer, "/v1/quarantine?limit=100", &listed)
	if len(listed.Quarantined) != len(want) {
		t.Fatalf("%d in quarantine, want %d: %+v", len(listed.Quarantined), len(want), listed.Quarantined)
	}
	for i, q := range listed.Quarantined {
		c := want[i]
		if q.Sequence != uint64(i+2) || c.reason != "" && q.Reason != c.reason || q.Source != "ehr-harbour" || len(q.Problems) == 0 ||
			q.Problems[0].Pointer != c.pointer || q.Problems[0].Detail == "" {
			t.Errorf("%s: %+v", c.name, q)
		}
		var kept []byte
		if err := w.Pool.QueryRow(t.Context(), "SELECT body FROM quarantine WHERE sequence = $1", int64(q.Sequence)).Scan(&kept); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(kept, []byte(c.body)) || q.Bytes != len(c.body) {
			t.Errorf("%s: kept %q", c.name, kept)
		}
	}
	for _, code := range []string{"G-1", "G-2"} {
		var record struct{ Eye string }
		if w.get(t, officer, "/v1/cases/"+code, &record); record.Eye != "right" {
			t.Errorf("%s: %+v", code, record)
		}
	}
	var intake struct{ Counts map[string]int }
	w.get(t, officer, "/v1/intake", &intake)
	if intake.Counts["accepted"] != 2 || intake.Counts["quarantined"] != len(want) {
		t.Errorf("counts: %v", intake.Counts)
	}
	w.checkBooks(t)
}

// operated says how many operations of a day count, and how many ruptures.
func operated(t *testing.T, w *world, day string) (operations, ruptures int) {
	t.Helper()
	var got benchmarkAnswer
	w.get(t, officer, benchmarkPath("HARBOUR", day, day, ""), &got)
	return got.Operations, got.Rupture.Events
}

const (
	startedBy = `{"first_operator":"S-1","responsible_consultant":"C-1"}`
	ruptured  = `{"kind":"posterior-capsule-rupture","vitreous":"none"}`
)

// Two contents under one id: both are kept and shown, and neither counts, until
// an amendment says what is right.
func TestConflictCountsNeither(t *testing.T) {
	w := newWorld(t, nil)
	for i, c := range []struct {
		name          string
		first, second func(f *fact) // what becomes of a rupture in the first of two cases
	}{
		{"another content", nil, func(f *fact) { f.data = strings.Replace(ruptured, "none", "loss", 1) }},
		{"another type", nil, func(f *fact) { f.kind, f.data = "case.booked", rightEye }},
		{"another time", nil, func(f *fact) { f.at = strings.Replace(f.at, "10:00:00", "10:00:01", 1) }},
		{"another case", nil, func(f *fact) { f.subject += "-OTHER" }},
		{"another case before", func(f *fact) { f.subject += "-OTHER" }, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			day := fmt.Sprintf("2025-03-%02d", i+1)
			code, id := fmt.Sprintf("K-%d", i), fmt.Sprintf("k-%d", i)
			on := func(f fact) fact { f.at = day + "T10:00:00+00:00"; return f }
			first := on(harbour(id, "complication.recorded", code, ruptured))
			second := first
			if c.first != nil {
				c.first(&first)
			}
			if c.second != nil {
				c.second(&second)
			}
			var whole []string
			for _, code := range []string{code, code + "-OTHER"} {
				whole = append(whole, on(harbour("s-"+code, "case.started", code, startedBy)).json(), on(harbour("f-"+code, "case.finished", code, `{}`)).json())
			}
			if r := w.post(t, sender, lines, strings.Join(append(whole, first.json()), "\n")); r.Stored != 5 {
				t.Fatalf("%d %.500s", r.Status, r.Text)
			}
			if n, ruptures := operated(t, w, day); n != 2 || ruptures != 1 {
				t.Fatalf("before: %d ruptures in %d operations", ruptures, n)
			}
			r := w.post(t, sender, oneEvent, second.json())
			if r.Status != http.StatusAccepted || r.Results[0].Status != "stored" || r.Results[0].Disposition != "conflict" {
				t.Errorf("the conflict isn't visible: %d %.500s", r.Status, r.Text)
			}
			if n, ruptures := operated(t, w, day); n != 2 || ruptures != 0 {
				t.Errorf("in conflict: %d ruptures in %d operations, want neither counted", ruptures, n)
			}
			var record struct{ Conflicts []struct{ Source, ID string } }
			w.get(t, officer, "/v1/cases/"+code, &record)
			if len(record.Conflicts) != 1 || record.Conflicts[0].ID != id {
				t.Errorf("the case shows the conflicts %+v", record.Conflicts)
			}
			// The same again is a duplicate, whichever of the two it is.
			for _, again := range []fact{first, second} {
				if r := w.post(t, sender, oneEvent, again.json()); r.Duplicate != 1 && r.Results[0].Disposition != "duplicate" {
					t.Errorf("again: %d %.500s", r.Status, r.Text)
				}
			}
			if first.subject != second.subject {
				return // an amendment can't say which case was meant
			}
			r = w.post(t, sender, oneEvent, on(harbour("amend-"+id, "event.amended", code,
				`{"target_source":"ehr-harbour","target_id":"`+id+`","target_type":"lensledger.complication.recorded.v1","data":`+ruptured+`}`)).json())
			if n, ruptures := operated(t, w, day); r.Stored != 1 || n != 2 || ruptures != 1 {
				t.Errorf("amended: %d ruptures in %d operations; %.300s", ruptures, n, r.Text)
			}
		})
	}
	w.checkBooks(t)
}

// An event of a type that this program doesn't know waits in quarantine, and is
// applied by a program that knows it. The upgrade is simulated the other way
// round: what waits is made into a type that is known, as if it always had been.
func TestUnknownTypeWaitsForAnUpgrade(t *testing.T) {
	w := newWorld(t, nil)
	finished := harbour("u-2", "case.finished", "U-1", `{}`)
	newer := []fact{finished, harbour("u-3", "complication.recorded", "U-1", ruptured)}
	newer[0].kind, newer[1].kind = "case.completed", "complication.noted"
	sequences := send(t, w.log, harbour("u-1", "case.started", "U-1", startedBy).outgoing(), newer[0].outgoing(), newer[1].outgoing())
	w.wait(t)
	if n, _ := operated(t, w, "2025-03-12"); n != 0 {
		t.Fatalf("%d operations before the upgrade", n)
	}
	replay := fmt.Sprintf("/v1/quarantine/%d/replays", sequences[1])
	if code, text := w.request(t, officer, http.MethodPost, replay, "", ""); code != http.StatusUnprocessableEntity || !bytes.Contains(text, []byte("case.completed")) {
		t.Errorf("replay before the upgrade: %d %.300s", code, text)
	}
	w.stop()
	for i, known := range []string{"case.finished", "complication.recorded"} {
		unknown := newer[i].kind
		tag, err := w.Pool.Exec(t.Context(), `UPDATE quarantine SET subject = replace(subject, $2, $3),
			body = convert_to(replace(convert_from(body, 'UTF8'), $2, $3), 'UTF8') WHERE sequence = $1 AND reason = 'unknown-type'`,
			int64(sequences[i+1]), unknown, known)
		if err != nil || tag.RowsAffected() != 1 {
			t.Fatalf("%s: %v %v", unknown, tag, err)
		}
	}
	w.start(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := w.app.watcher.Wait(ctx, 5); err != nil { // both were sent again, as 4 and 5
		t.Fatal(err)
	}
	if n, ruptures := operated(t, w, "2025-03-12"); n != 1 || ruptures != 1 {
		t.Errorf("after the upgrade: %d ruptures in %d operations", ruptures, n)
	}
	var listed struct {
		Quarantined []struct {
			Sequence uint64
			Released uint64 `json:"released_as"`
		}
	}
	w.get(t, officer, "/v1/quarantine", &listed)
	if len(listed.Quarantined) != 2 || listed.Quarantined[0].Released != 4 || listed.Quarantined[1].Released != 5 {
		t.Errorf("quarantine: %+v", listed.Quarantined)
	}
	if code, _ := w.request(t, officer, http.MethodPost, replay, "", ""); code != http.StatusUnprocessableEntity {
		t.Errorf("replay of what was released: %d", code)
	}
	w.checkBooks(t)
}

// What is rare and true is stored, with a flag where people should look again.
func TestRareTrueValues(t *testing.T) {
	w := newWorld(t, nil)
	for i, c := range []struct {
		kind, data, pointer string
		power               float64
	}{
		{"lens.implanted", `{"power_d":0,"lens_model":"M"}`, "/data/power_d", 0},
		{"lens.implanted", `{"power_d":-5.25,"lens_model":"M"}`, "/data/power_d", -5.25},
		{"lens.implanted", `{"power_d":60}`, "/data/power_d", 60},
		{"preop.assessed", `{"axial_length_um":35000}`, "/data/axial_length_um", math.NaN()},
		{"preop.assessed", `{"axial_length_um":14000}`, "/data/axial_length_um", math.NaN()},
		{"preop.assessed", `{"age_years":0}`, "/data/age_years", math.NaN()},
	} {
		code := fmt.Sprintf("R-%d", i)
		r := w.post(t, sender, aBatch, "["+harbour(code, c.kind, code, c.data).json()+"]")
		if r.Status != http.StatusAccepted || r.Stored != 1 || len(r.Results[0].Confirm) != 1 || r.Results[0].Confirm[0].Pointer != c.pointer {
			t.Errorf("%s: %d %.500s", c.data, r.Status, r.Text)
		}
		var record struct {
			Implant *struct {
				Power *float64 `json:"power_d"`
			}
			Flags    []struct{ Code, ID string }
			Timeline []struct{ Data map[string]any }
		}
		w.get(t, officer, "/v1/cases/"+code, &record)
		if len(record.Timeline) != 1 || len(record.Flags) != 1 || record.Flags[0].Code != "confirm" {
			t.Errorf("%s: %+v", c.data, record)
		}
		if !math.IsNaN(c.power) && (record.Implant == nil || record.Implant.Power == nil || *record.Implant.Power != c.power) {
			t.Errorf("%s: implant %+v", c.data, record.Implant)
		}
	}
	w.checkBooks(t)
}
