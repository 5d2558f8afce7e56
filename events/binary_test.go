package events

import (
	"maps"
	"slices"
	"strings"
	"testing"
)

func exampleBinary(t testing.TB) (Header, []byte) {
	t.Helper()
	return decoded(t, exampleEvent).EncodeBinary()
}

// Vectors of the CloudEvents HTTP and NATS bindings: one round of decoding,
// lower-case and needless encoding accepted, overlong UTF-8 refused.
func TestHeaderValues(t *testing.T) {
	for _, c := range []struct{ value, want, fault string }{
		{"Euro%20%E2%82%AC%20%F0%9F%98%80", "Euro € 😀", ""}, // the example in the bindings' text
		{"%e2%82%ac", "€", ""},
		{"%41%2D1", "A-1", ""},
		{"%2541", "%41", ""},
		{`"quoted \"x\" \\ y"`, `quoted "x" \ y`, ""},
		{`"100%25"`, "100%", ""},
		{"plain", "plain", ""},
		{"", "", ""},
		{"%C0%A0", "", "invalid UTF-8"},
		{"%ED%A0%80", "", "invalid UTF-8"}, // a surrogate
		{"\xff", "", "invalid UTF-8"},
		{"a%", "", "a % without two hexadecimal digits"},
		{"a%4", "", "a % without two hexadecimal digits"},
		{"a%zz", "", "a % without two hexadecimal digits"},
		{"a%00", "", "a control character"},
	} {
		text, fault := unescape(c.value)
		if fault != c.fault || fault == "" && text != c.want {
			t.Errorf("%q: got %q, %q", c.value, text, fault)
		}
	}
	if got := escape("Euro € 😀"); got != "Euro%20%E2%82%AC%20%F0%9F%98%80" {
		t.Errorf("escape: %s", got)
	}
	if got := escape(`50%"`); got != "50%25%22" {
		t.Errorf("escape: %s", got)
	}
}

func TestDecodeChoosesTheForm(t *testing.T) {
	want := decoded(t, exampleEvent).Hash()
	headers, data := exampleBinary(t)
	without := func(name string) Header {
		h := maps.Clone(headers)
		delete(h, name)
		return h
	}
	and := func(h Header, name, value string) Header {
		h = maps.Clone(h)
		h[name] = []string{value}
		return h
	}
	canonicalKeys := Header{}
	for name, values := range headers {
		if name != "ce-datacontenttype" {
			canonicalKeys[strings.ToUpper(name[:1])+name[1:]] = values
		}
	}
	for _, c := range []struct {
		name   string
		header Header
		body   string
		want   []string // problems
	}{
		{"structured", Header{"Content-Type": {"application/cloudevents+json; charset=UTF-8"}}, exampleEvent, nil},
		{"structured, any case", Header{"content-TYPE": {"Application/CloudEvents+JSON"}}, exampleEvent, nil},
		{"structured wins over headers", and(headers, "content-type", "application/cloudevents+json"), exampleEvent, nil},
		{"no headers", nil, exampleEvent, nil},
		{"binary, NATS", headers, string(data), nil},
		{"binary, HTTP", and(canonicalKeys, "Content-Type", "application/json"), string(data), nil},
		{"binary, content type with charset", and(canonicalKeys, "Content-Type", "application/json; charset=utf-8"), string(data), nil},
		{"binary, no content type", without("ce-datacontenttype"), string(data), nil},
		{"binary, traced", and(headers, "ce-traceparent", "00-4bf92f35-00f0-01"), string(data), nil},
		{"binary, encoded needlessly", and(headers, "ce-id", "%62%31c7-02"), string(data), nil},
		{"other headers", and(headers, "Nats-Msg-Id", "x"), string(data), nil},

		{"a batch", Header{"Content-Type": {ContentTypeBatch}}, "[" + exampleEvent + "]", []string{`envelope  found the content type "application/cloudevents-batch+json", allowed application/cloudevents+json for one event`}},
		{"another format", Header{"Content-Type": {"application/cloudevents+avro"}}, "x", []string{`envelope  found the content type "application/cloudevents+avro", allowed application/cloudevents+json for one event`}},
		{"another charset", Header{"Content-Type": {"application/cloudevents+json; charset=utf-16"}}, exampleEvent, []string{`envelope  found charset "utf-16", allowed utf-8`}},
		{"two content types", Header{"Content-Type": {"application/json", "text/xml"}}, exampleEvent, []string{"envelope  found the header content-type more than once, allowed once"}},
		{"plain JSON", Header{"Content-Type": {"application/json"}}, exampleEvent, []string{`envelope  found the content type "application/json" without ce-specversion, allowed application/cloudevents+json or ce- headers`}},
		{"no event at all", nil, `{"hello":1}`, []string{"envelope  found neither a content type, nor ce-specversion, nor an object with specversion; allowed application/cloudevents+json or ce- headers"}},
		{"no JSON at all", nil, `hello`, []string{`not-json  found "hello" at byte 0, allowed a JSON value`}},
		{"no id", without("ce-id"), string(data), []string{"envelope /id id: missing, required in the envelope"}},
		{"two ids", Header{"ce-specversion": {"1.0"}, "ce-id": {"a", "b"}}, string(data), []string{"envelope /id found the header ce-id more than once or empty, allowed once"}},
		{"id in two cases", and(headers, "Ce-Id", "b"), string(data), []string{"envelope /id found the header ce-id more than once or empty, allowed once"}},
		{"a broken id", and(headers, "ce-id", "%C0%A0"), string(data), []string{"envelope /id id: found invalid UTF-8, allowed header values as in the CloudEvents bindings"}},
		{"data as header", and(headers, "ce-data", "{}"), string(data), []string{"envelope /data data: found a header ce-data, allowed header values as in the CloudEvents bindings"}},
		{"another extension", and(headers, "ce-severity", "x"), string(data), []string{`unknown-field /severity found the unknown attribute "severity", allowed data, specversion, id, source, type, subject, department, time, datacontenttype, dataschema, traceparent, tracestate`}},
		{"XML", and(headers, "ce-datacontenttype", "text/xml"), string(data), []string{`envelope /datacontenttype datacontenttype: found "text/xml", allowed application/json`}},
		{"empty body", headers, "", []string{"missing /data data: missing, required: an object"}},
		{"broken body and id", and(headers, "ce-id", "a b"), `{"kind":`, []string{"not-json /data found the end of the body, allowed a JSON value", `not-allowed /id id: found "a b", allowed 1 to 100 printable ASCII characters without spaces`}},
		{"bad data", headers, `{"kind":"burn"}`, []string{`not-allowed /data/kind kind: found "burn", allowed ` + strings.Join(words[list[ComplicationKind]()], ", ")}},
		{"body with NUL", headers, `{"kind":"wound-burn","management":"\u0000"}`, []string{"not-json /data/management management: found the control character U+0000 in text, allowed printable characters"}},
		{"a body as deep as in structured form", headers, strings.Repeat(`{"a":`, 16), []string{"not-json /data found nesting deeper than 16 at byte 75, allowed 16"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			e, problems := Decode(c.header, []byte(c.body))
			if got := sayings(problems); !slices.Equal(got, c.want) {
				t.Fatalf("got  %q\nwant %q", got, c.want)
			}
			if c.want == nil && e.Hash() != want {
				t.Errorf("another event: %s", e.Canonical())
			}
		})
	}
	// With a broken body the attributes are still read, for the answer to name the event.
	if e, _ := Decode(headers, []byte("{")); e.ID != "b1c7-02" || e.Source != "ehr-harbour" || e.Type != TypeComplicationRecorded || e.Data != nil {
		t.Errorf("attributes beside a broken body: %+v", e)
	}
}

func TestWireHash(t *testing.T) {
	header, body := exampleBinary(t)
	base := WireHash(header, body)
	same := func(name string, h Header, b []byte, want bool) {
		t.Helper()
		if (WireHash(h, b) == base) != want {
			t.Errorf("%s: same is %v, want %v", name, !want, want)
		}
	}
	changed := func(name string, values ...string) Header {
		h := maps.Clone(header)
		h[name] = values
		return h
	}
	upper := Header{}
	for name, values := range header {
		upper[strings.ToUpper(name)] = values
	}
	same("again", header, body, true)
	same("names in another case", upper, body, true)
	same("a header of the transport", changed("Nats-Msg-Id", "x"), body, true)
	same("another id", changed("ce-id", "b1c7-03"), body, false)
	same("a content type", changed("Content-Type", "application/json"), body, false)
	same("one more extension", changed("ce-x", ""), body, false)
	same("another body", header, append(slices.Clone(body), ' '), false)
	if WireHash(Header{"ce-a": {"x"}}, []byte("y")) == WireHash(Header{"ce-a": {"xy"}}, nil) {
		t.Error("a byte moved from the body to a header has the same hash")
	}
}
