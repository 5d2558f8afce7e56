package events

import (
	"bytes"
	"encoding/json"
	"testing"
	"unicode/utf8"
)

func seedBodies(f *testing.F) []string {
	bodies := []string{exampleEvent, "", "[]", "{}", `{"specversion":"1.0"}`, "\xff", `{"a":1e9999999999}`, `{"a":"\ud83d\ude00\ud800"}`}
	for _, g := range goldens(f) {
		bodies = append(bodies, g.body)
	}
	return bodies
}

// checkDecoded holds what is true of every decoding, whatever the bytes.
func checkDecoded(t *testing.T, e Event, problems []Problem) {
	t.Helper()
	for _, p := range problems {
		if p.Code == "" || p.Detail == "" || !utf8.ValidString(p.Pointer+p.Detail) || bytes.ContainsRune([]byte(p.Pointer+p.Detail), 0) {
			t.Fatalf("problem %+q", p)
		}
	}
	if len(problems) > 0 {
		if e.Data != nil || len(problems) > maxProblems {
			t.Fatalf("%d problems, data %v", len(problems), e.Data)
		}
		return
	}
	canonical := e.Canonical()
	if !json.Valid(canonical) || !json.Valid(e.Encode()) {
		t.Fatalf("not JSON: %s", canonical)
	}
	again, problems := DecodeStructured(e.Encode())
	if len(problems) > 0 || again.Hash() != e.Hash() || again.MessageID() != e.MessageID() {
		t.Fatalf("encoded and decoded: %s\nwas %s\n%v", again.Canonical(), canonical, problems)
	}
	if again, problems = DecodeStructured(canonical); len(problems) > 0 || again.Hash() != e.Hash() {
		t.Fatalf("canonical form decoded: %s\nwas %s\n%v", again.Canonical(), canonical, problems)
	}
	header, body := e.EncodeBinary()
	if again, problems = Decode(header, body); len(problems) > 0 || again.Hash() != e.Hash() {
		t.Fatalf("binary: %s\nwas %s\n%v", again.Canonical(), canonical, problems)
	}
	e.Confirmations()
	e.CheckTime(e.Time)
}

func FuzzDecode(f *testing.F) {
	for _, body := range seedBodies(f) {
		f.Add(ContentTypeEvent, "", body)
		f.Add("", "", body)
	}
	for _, g := range goldens(f) {
		header, body := decoded(f, g.body).EncodeBinary()
		f.Add("application/json", header["ce-id"][0], string(body))
	}
	f.Fuzz(func(t *testing.T, contentType, id, body string) {
		header := Header{}
		if contentType != "" {
			header["Content-Type"] = []string{contentType}
		}
		if id != "" {
			header = Header{"ce-specversion": {"1.0"}, "ce-id": {id}, "ce-source": {"s"}, "ce-subject": {"c"}, "ce-department": {"d"},
				"ce-type": {string(Catalogue[len(id)%len(Catalogue)].Type)}, "ce-time": {"2025-03-12T10:41:07+01:00"}, "content-type": {contentType}}
		}
		e, problems := Decode(header, []byte(body))
		checkDecoded(t, e, problems)
		WireHash(header, []byte(body))
		// What the standard library calls no JSON is never taken for an event.
		if len(problems) == 0 && body != "" && !json.Valid([]byte(body)) {
			t.Fatalf("accepted, but no JSON: %q", body)
		}
	})
}

func FuzzDecodeData(f *testing.F) {
	for _, g := range goldens(f) {
		e := decoded(f, g.body)
		_, data := e.EncodeBinary()
		f.Add(string(e.Type), string(data))
		var sent struct {
			Data json.RawMessage `json:"data"`
		}
		if err := json.Unmarshal([]byte(g.body), &sent); err != nil {
			f.Fatal(err)
		}
		f.Add(string(e.Type), string(sent.Data))
	}
	f.Fuzz(func(t *testing.T, typ, data string) {
		payload, problems := DecodeData(Type(typ), []byte(data))
		if len(problems) > 0 {
			if payload != nil {
				t.Fatalf("a payload in spite of %v", problems)
			}
			return
		}
		e := Event{ID: "i", Source: "s", Type: Type(typ), Subject: "c", Department: "d", Data: payload}
		_, body := e.EncodeBinary()
		again, problems := DecodeData(Type(typ), body)
		if len(problems) > 0 {
			t.Fatalf("%s became %s: %v", data, body, problems)
		}
		second := e
		second.Data = again
		if second.Hash() != e.Hash() {
			t.Fatalf("%s became %s and then %s", data, body, second.Canonical())
		}
	})
}

// FuzzScan compares the scanner with encoding/json: outside the stated bounds
// (depth, exponents, repeated keys, characters) both accept the same texts.
func FuzzScan(f *testing.F) {
	for _, body := range seedBodies(f) {
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body string) {
		tr := newTree()
		ok := tr.scan([]byte(body), 0, "", 1)
		valid := json.Valid([]byte(body))
		if ok && len(tr.problems) == 0 && !valid {
			t.Fatalf("only the scanner accepts %q", body)
		}
		if !ok && valid && utf8.ValidString(body) && len(body) <= MaxBytes &&
			!bytes.Contains([]byte(tr.problems[len(tr.problems)-1].Detail), []byte("nesting deeper")) && len(tr.problems) < maxProblems {
			t.Fatalf("only encoding/json accepts %q: %v", body, tr.problems)
		}
		if !ok || len(tr.problems) > 0 {
			return
		}
		// The canonical form of any value is JSON and its own canonical form.
		first := tr.appendCanonical(nil, 0)
		again := newTree()
		if !again.scan(first, 0, "", 1) || len(again.problems) > 0 {
			if len(first) > MaxBytes {
				return
			}
			t.Fatalf("%q: canonical %q: %v", body, first, again.problems)
		}
		if second := again.appendCanonical(nil, 0); !bytes.Equal(first, second) {
			t.Fatalf("%q: canonical %q, then %q", body, first, second)
		}
	})
}
