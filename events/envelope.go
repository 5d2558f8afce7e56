package events

import (
	"mime"
	"reflect"
	"strings"
)

// Header holds the headers of a message, as in net/http and nats.go. Names are
// compared without regard to case.
type Header = map[string][]string

// Content types of an event and of its data.
const (
	ContentTypeEvent = "application/cloudevents+json"
	ContentTypeBatch = "application/cloudevents-batch+json"
	ContentTypeData  = "application/json"
)

const specVersion = "1.0"

// Decode reads one event as it comes from HTTP or NATS. It is structured when
// the content type begins with application/cloudevents, else binary when there
// is a ce-specversion header, else structured when there is no content type and
// the body is an object with specversion.
//
// All problems are returned together, with pointers as if the event had been
// sent structured. With problems, the envelope attributes that are right are
// filled, and Data is nil.
func Decode(header Header, body []byte) (Event, []Problem) {
	contentType, problem := single(header, "content-type")
	if problem != nil {
		return Event{}, []Problem{*problem}
	}
	media, parameters, err := mime.ParseMediaType(contentType)
	if err != nil {
		media = strings.ToLower(contentType)
	}
	binary := has(header, "ce-specversion")
	switch {
	case media == ContentTypeEvent || media == "application/cloudevents":
		if c := parameters["charset"]; c != "" && !strings.EqualFold(c, "utf-8") {
			return envelopeFault("found charset %q, allowed utf-8", cut(c, 40))
		}
		return DecodeStructured(body)
	case strings.HasPrefix(media, "application/cloudevents"):
		return envelopeFault("found the content type %q, allowed %s for one event", cut(contentType, 80), ContentTypeEvent)
	case binary:
		return decodeBinary(header, body)
	case contentType == "":
		t := newTree()
		if ok := t.scan(body, 0, "", 1); ok && t.child(0, "specversion") == 0 {
			return envelopeFault("found neither a content type, nor ce-specversion, nor an object with specversion; " +
				"allowed " + ContentTypeEvent + " or ce- headers")
		}
		return t.event()
	}
	return envelopeFault("found the content type %q without ce-specversion, allowed %s or ce- headers", cut(contentType, 80), ContentTypeEvent)
}

func envelopeFault(format string, args ...any) (Event, []Problem) {
	t := newTree()
	t.report("", CodeEnvelope, format, args...)
	return Event{}, t.problems
}

// DecodeStructured reads one event in the CloudEvents JSON format. Problems are
// as in Decode.
func DecodeStructured(body []byte) (Event, []Problem) {
	t := newTree()
	t.scan(body, 0, "", 1)
	return t.event()
}

// DecodeData reads the data of an event of type t, for example the replacement
// in an amendment, and gives a pointer to its payload struct, lifted if t is a
// retired version. Pointers of problems are relative to data; with problems
// there is no payload.
func DecodeData(t Type, data []byte) (any, []Problem) {
	tr := newTree()
	k, ok := types[t]
	if !ok {
		code, detail := t.judge()
		tr.report("", code, "%s", detail)
		return nil, tr.problems
	}
	if len(data) == 0 && len(k.plan.fields) == 0 {
		return tr.lifted(k, reflect.New(k.plan.typ))
	}
	if !tr.scan(data, 0, "", 1) {
		return nil, tr.problems
	}
	v := reflect.New(k.plan.typ)
	k.plan.assign(tr, 0, v.Elem())
	return tr.lifted(k, v)
}

func (t *tree) lifted(k known, v reflect.Value) (any, []Problem) {
	if len(t.problems) > 0 {
		return nil, t.problems
	}
	data := v.Interface()
	if k.lift != nil {
		_, data = k.lift(data)
	}
	return data, nil
}

// attributes are the envelope's, in the order in which problems are listed.
// What is ignored may come along for tracing and is no part of the event.
var attributes = []struct {
	name     string
	required bool
	ignored  bool
}{
	{name: "specversion", required: true},
	{name: "id", required: true},
	{name: "source", required: true},
	{name: "type", required: true},
	{name: "subject", required: true},
	{name: "department", required: true},
	{name: "time", required: true},
	{name: "datacontenttype"},
	{name: "dataschema", ignored: true},
	{name: "traceparent", ignored: true},
	{name: "tracestate", ignored: true},
}

// event reads a scanned tree as an event. After a broken scan there is nothing
// to read.
func (t *tree) event() (Event, []Problem) {
	var e Event
	for _, p := range t.problems {
		if p.Pointer == "" && p.Code == CodeNotJSON {
			return e, t.problems
		}
	}
	if len(t.nodes) == 0 || t.nodes[0].kind != kindObject {
		t.report("", CodeEnvelope, "found %s, allowed one event as a JSON object", t.found(0))
		return e, t.problems
	}
	var at [16]int32
	data := int32(0)
	for c := t.nodes[0].first; c != 0 && len(t.problems) < maxProblems; c = t.nodes[c].next {
		n := &t.nodes[c]
		if n.bad {
			at[attributeIndex(n.name)] = c
			continue
		}
		if n.name == "data" {
			data = c
			continue
		}
		i := attributeIndex(n.name)
		switch {
		case n.name == "data_base64":
			t.reportAt(c, CodeEnvelope, "found data_base64, allowed data as a JSON object")
		case i == len(attributes):
			t.reportAt(c, CodeUnknownField, "%s", unknownAttribute(n.name))
		case n.kind == kindNull:
		case n.kind != kindString:
			at[i] = c
			n.bad = true
			t.reportAt(c, CodeWrongType, "%s: found %s, allowed text", n.name, t.found(c))
		default:
			at[i] = c
		}
	}
	var k known
	ok := false
	for i, a := range attributes {
		c := at[i]
		switch {
		case c == 0 && a.required:
			t.report("/"+a.name, CodeEnvelope, "%s: missing, required in the envelope", a.name)
		case c == 0 || a.ignored || t.nodes[c].bad:
		case a.name == "type":
			e.Type = Type(t.nodes[c].text)
			if k, ok = types[e.Type]; ok {
				e.Type = k.entry.Type
			} else {
				code, detail := e.Type.judge()
				t.reportAt(c, code, "type: %s", detail)
			}
		default:
			e.attribute(t, c)
		}
	}
	if !ok {
		return e, t.problems
	}
	v := reflect.New(k.plan.typ)
	switch {
	case data != 0 && t.nodes[data].kind != kindNull:
		k.plan.assign(t, data, v.Elem())
	case len(k.plan.fields) > 0 && t.child(0, "data") != data:
		// the only data there is was refused already
	case len(k.plan.fields) > 0:
		t.report("/data", CodeMissing, "data: missing, required: an object")
	}
	if len(t.problems) == 0 {
		e.Data = v.Interface()
		e.check(t)
	}
	if len(t.problems) > 0 {
		e.Data = nil
		return e, t.problems
	}
	if k.lift != nil {
		e.sent = &sent{e.Type, e.Data}
		e.Type, e.Data = k.lift(e.Data)
	}
	return e, nil
}

// attributeIndex is the position of an attribute, len(attributes) for others.
func attributeIndex(name string) int {
	for i := range attributes {
		if attributes[i].name == name {
			return i
		}
	}
	return len(attributes)
}

func unknownAttribute(name string) string {
	names := []string{"data"}
	for _, a := range attributes {
		names = append(names, a.name)
	}
	found := "found the unknown attribute \"" + cut(name, 80) + "\""
	if near := nearest(name, names); near != "" {
		return found + "; did you mean " + near + "?"
	}
	return found + ", allowed " + strings.Join(names, ", ")
}

// attribute checks one text attribute and stores it.
func (e *Event) attribute(t *tree, at int32) {
	n := &t.nodes[at]
	refuse := func(code, allowed string) {
		t.reportAt(at, code, "%s: found %s, allowed %s", n.name, t.found(at), allowed)
	}
	code := func(dst *string) {
		if !isCode(n.text) {
			refuse(CodeNotAllowed, allowedCode)
			return
		}
		*dst = n.text
	}
	switch n.name {
	case "specversion":
		if n.text != specVersion {
			refuse(CodeEnvelope, specVersion)
		}
	case "id":
		if !isID(n.text) {
			refuse(CodeNotAllowed, allowedID)
			return
		}
		e.ID = n.text
	case "source":
		code(&e.Source)
	case "subject":
		code(&e.Subject)
	case "department":
		code(&e.Department)
	case "time":
		instant, fault := parseInstant(n.text)
		if fault != "" {
			t.reportAt(at, CodeTime, "time: %s", fault)
			return
		}
		e.Time = instant
	case "datacontenttype":
		if !jsonMedia(n.text) {
			refuse(CodeEnvelope, ContentTypeData)
		}
	}
}

// jsonMedia accepts application/json, in UTF-8 if it says so.
func jsonMedia(s string) bool {
	media, parameter, more := strings.Cut(s, ";")
	if !strings.EqualFold(strings.TrimRight(media, " "), ContentTypeData) {
		return false
	}
	name, charset, _ := strings.Cut(strings.TrimLeft(parameter, " "), "=")
	return !more || strings.EqualFold(name, "charset") &&
		(strings.EqualFold(charset, "utf-8") || strings.EqualFold(charset, `"utf-8"`))
}
