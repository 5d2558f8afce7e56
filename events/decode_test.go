package events

import (
	"bytes"
	"testing"
)

// exampleEvent is the example of the event format, about 400 bytes.
const exampleEvent = `{"specversion":"1.0","id":"b1c7-02","source":"ehr-harbour","type":"lensledger.complication.recorded.v1",
 "subject":"HB-2025-00417","department":"HARBOUR","time":"2025-03-12T10:41:07+00:00","datacontenttype":"application/json",
 "data":{"kind":"posterior-capsule-rupture","noticed_in_step":"segment-removal","noticed_by":"S-014","caused_in_step":"segment-removal","caused_by":"S-014","vitreous":"loss","management":"anterior-vitrectomy"}}`

// decoded fails the test on any problem.
func decoded(t testing.TB, body string) Event {
	t.Helper()
	e, problems := DecodeStructured([]byte(body))
	if len(problems) > 0 {
		t.Fatalf("%s\nproblems: %v", body, problems)
	}
	return e
}

func TestExample(t *testing.T) {
	e := decoded(t, exampleEvent)
	if again := decoded(t, string(e.Encode())); again.Hash() != e.Hash() || !bytes.Equal(again.Canonical(), e.Canonical()) {
		t.Errorf("encode: %s", again.Encode())
	}
	header, body := e.EncodeBinary()
	again, problems := Decode(header, body)
	if len(problems) > 0 || again.Hash() != e.Hash() {
		t.Errorf("binary: %v %v", problems, again)
	}
	t.Logf("%s", e.Canonical())
}

// An amendment made by a program hashes as the one that is read.
func TestAmendmentMadeInAnyWay(t *testing.T) {
	e := Event{ID: "a", Source: "s", Type: TypeEventAmended, Subject: "HB-1", Department: "HARBOUR", Time: decoded(t, exampleEvent).Time}
	payload := &LensImplanted{PowerD: Some(Hundredths(-750)), Site: "bag"}
	var hashes []Hash
	for _, raw := range []Raw{RawOf(payload), Raw(`{ "site":"bag", "axis_deg":null, "power_d":-7.50 }`)} {
		e.Data = &EventAmended{TargetSource: "s", TargetID: "x", TargetType: TypeLensImplanted, Data: raw}
		again := decoded(t, string(e.Encode()))
		hashes = append(hashes, e.Hash(), again.Hash())
		data, problems := DecodeData(TypeLensImplanted, again.Data.(*EventAmended).Data)
		if len(problems) > 0 || *data.(*LensImplanted) != *payload {
			t.Errorf("%s: %v %v", raw, data, problems)
		}
	}
	for _, h := range hashes {
		if h != hashes[0] {
			t.Errorf("hashes %v", hashes)
		}
	}
}

// What isn't known stays unknown, and is told from zero, no and an empty list.
func TestUnknownStaysUnknown(t *testing.T) {
	read := func(data string) *PreopAssessed {
		return decoded(t, structured(TypePreopAssessed, data)).Data.(*PreopAssessed)
	}
	absent, null := read(`{}`), read(`{"age_years":null,"glaucoma":null,"acuity":null,"refraction":null,"ocular_copathology":null}`)
	for _, d := range []*PreopAssessed{absent, null} {
		if d.AgeYears.Known || d.Glaucoma != Unknown || d.Acuity != nil || d.Refraction != nil || d.OcularCopathology != nil {
			t.Errorf("absent: %+v", d)
		}
	}
	known := read(`{"age_years":0,"glaucoma":false,"refraction":{"sphere_d":0},"ocular_copathology":[]}`)
	if known.AgeYears != Some(int64(0)) || known.Glaucoma != No || known.Refraction == nil || known.Refraction.CylinderD.Known ||
		known.OcularCopathology == nil || len(known.OcularCopathology) != 0 {
		t.Errorf("known: %+v", known)
	}
	if yes := read(`{"glaucoma":true}`); yes.Glaucoma != Yes {
		t.Errorf("yes: %v", yes.Glaucoma)
	}
}

func BenchmarkDecode(b *testing.B) {
	body := []byte(exampleEvent)
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	for b.Loop() {
		if _, problems := DecodeStructured(body); len(problems) > 0 {
			b.Fatal(problems)
		}
	}
}

func BenchmarkDecodeBinary(b *testing.B) {
	header, body := decoded(b, exampleEvent).EncodeBinary()
	b.ReportAllocs()
	for b.Loop() {
		if _, problems := Decode(header, body); len(problems) > 0 {
			b.Fatal(problems)
		}
	}
}

// BenchmarkDecodeGolden decodes the golden events in turn, the largest included.
func BenchmarkDecodeGolden(b *testing.B) {
	all := goldens(b)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if _, problems := DecodeStructured([]byte(all[i%len(all)].body)); len(problems) > 0 {
			b.Fatal(problems)
		}
		i++
	}
}

func BenchmarkHash(b *testing.B) {
	e := decoded(b, exampleEvent)
	b.ReportAllocs()
	for b.Loop() {
		e.Hash()
	}
}
