package events

import (
	"crypto/sha256"
	"encoding/binary"
	"net/textproto"
	"slices"
	"strings"
	"unicode/utf8"
)

// has reports whether a header of this lower-case name is present.
func has(header Header, name string) bool {
	if header[name] != nil || header[textproto.CanonicalMIMEHeaderKey(name)] != nil {
		return true
	}
	for key := range header {
		if strings.EqualFold(key, name) {
			return true
		}
	}
	return false
}

// single gives the one value of a header, "" if it is absent. Two values are a
// problem: which of them counts would be a guess.
func single(header Header, name string) (string, *Problem) {
	var values []string
	for key, v := range header {
		if strings.EqualFold(key, name) {
			values = append(values, v...)
		}
	}
	switch len(values) {
	case 0:
		return "", nil
	case 1:
		return values[0], nil
	}
	return "", &Problem{Code: CodeEnvelope, Detail: "found the header " + name + " more than once, allowed once"}
}

// decodeBinary reads an event whose attributes are headers and whose data is
// the body. It makes the tree that the structured form would have, so that both
// forms pass the same checks.
func decodeBinary(header Header, body []byte) (Event, []Problem) {
	t := newTree()
	t.add(0, 0, "", kindObject, "")
	type line struct {
		name   string
		values []string
	}
	lines := make([]line, 0, 16)
	for key, values := range header {
		if name := strings.ToLower(key); strings.HasPrefix(name, "ce-") {
			lines = append(lines, line{strings.TrimPrefix(name, "ce-"), values})
		}
	}
	slices.SortFunc(lines, func(a, b line) int { return strings.Compare(a.name, b.name) })
	prev := int32(0)
	add := func(name, value string) {
		prev = t.add(0, prev, name, kindString, value)
	}
	for i, l := range lines {
		name := printable(l.name)
		if len(l.values) != 1 || i > 0 && lines[i-1].name == l.name {
			t.report("/"+token(name), CodeEnvelope, "found the header ce-%s more than once or empty, allowed once", cut(name, 80))
			return Event{}, t.problems
		}
		text, fault := unescape(l.values[0])
		if l.name == "data" {
			fault = "a header ce-data"
		}
		add(name, text)
		if fault != "" {
			t.nodes[prev].bad = true
			t.reportAt(prev, CodeEnvelope, "%s: found %s, allowed header values as in the CloudEvents bindings", t.label(prev), fault)
		}
	}
	if t.child(0, "datacontenttype") == 0 {
		if contentType, _ := single(header, "content-type"); contentType != "" {
			add("datacontenttype", contentType)
		}
	}
	if len(body) > 0 {
		t.scanData(body, prev)
	}
	return t.event()
}

// scanData scans a binary event's body as its data. A broken body leaves one
// node that is refused already, so that the attributes are still read.
func (t *tree) scanData(body []byte, prev int32) {
	at := int32(len(t.nodes))
	t.bodyAt = "/data"
	if !t.scan(body, 0, "data", 2) {
		t.nodes = t.nodes[:at]
		t.nodes[t.add(0, prev, "data", kindNull, "")].bad = true
	}
}

// printable replaces what must not stand in a pointer.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if control(r) {
			return utf8.RuneError
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// unescape reads a header value as the CloudEvents HTTP and NATS bindings say:
// a value in double quotes is unquoted, then percent-encoding is decoded, one
// round, and the result must be UTF-8 text without control characters.
func unescape(value string) (text, fault string) {
	if len(value) >= 2 && value[0] == '"' && value[len(value)-1] == '"' {
		var b strings.Builder
		for inner := value[1 : len(value)-1]; inner != ""; inner = inner[1:] {
			if inner[0] == '\\' && len(inner) > 1 {
				inner = inner[1:]
			}
			b.WriteByte(inner[0])
		}
		value = b.String()
	}
	text = value
	if strings.IndexByte(value, '%') >= 0 {
		b := make([]byte, 0, len(value))
		for i := 0; i < len(value); i++ {
			if value[i] != '%' {
				b = append(b, value[i])
				continue
			}
			high, low := -1, -1
			if i+2 < len(value) {
				high, low = hexDigit(value[i+1]), hexDigit(value[i+2])
			}
			if high < 0 || low < 0 {
				return printable(value), "a % without two hexadecimal digits"
			}
			b = append(b, byte(high<<4|low))
			i += 2
		}
		text = string(b)
	}
	if !utf8.ValidString(text) {
		return printable(text), "invalid UTF-8"
	}
	if strings.ContainsFunc(text, control) {
		return printable(text), "a control character"
	}
	return text, ""
}

func hexDigit(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'a' && c <= 'f':
		return int(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return int(c-'A') + 10
	}
	return -1
}

// escape percent-encodes a header value: space, the double quote, the percent
// sign and everything outside printable ASCII.
func escape(value string) string {
	const digits = "0123456789ABCDEF"
	var b strings.Builder
	for _, c := range []byte(value) {
		if c <= ' ' || c > '~' || c == '"' || c == '%' {
			b.WriteByte('%')
			b.WriteByte(digits[c>>4])
			b.WriteByte(digits[c&15])
			continue
		}
		b.WriteByte(c)
	}
	return b.String()
}

// EncodeBinary gives the event as CloudEvents headers and its data as the body.
// The headers are those of the NATS binding; over HTTP, send the value of
// ce-datacontenttype as Content-Type.
func (e Event) EncodeBinary() (Header, []byte) {
	typ, data := e.asSent()
	header := Header{
		"ce-specversion":     {specVersion},
		"ce-id":              {escape(e.ID)},
		"ce-source":          {escape(e.Source)},
		"ce-type":            {escape(string(typ))},
		"ce-subject":         {escape(e.Subject)},
		"ce-department":      {escape(e.Department)},
		"ce-time":            {string(appendInstant(nil, e.Time))},
		"ce-datacontenttype": {ContentTypeData},
	}
	return header, appendData(nil, data)
}

// WireHash is the SHA-256 over a message as received: the ce- headers and the
// content type, sorted by lower-case name, and the body. It serves to compare
// copies; the hash of an event's content is Event.Hash.
func WireHash(header Header, body []byte) Hash {
	type line struct{ name, value string }
	var lines []line
	for key, values := range header {
		name := strings.ToLower(key)
		if name != "content-type" && !strings.HasPrefix(name, "ce-") {
			continue
		}
		for _, v := range values {
			lines = append(lines, line{name, v})
		}
	}
	slices.SortFunc(lines, func(a, b line) int {
		if c := strings.Compare(a.name, b.name); c != 0 {
			return c
		}
		return strings.Compare(a.value, b.value)
	})
	// Each part is preceded by its length, so that no two messages write the same bytes.
	var buf []byte
	part := func(s string) {
		buf = binary.BigEndian.AppendUint64(buf, uint64(len(s)))
		buf = append(buf, s...)
	}
	buf = binary.BigEndian.AppendUint64(buf, uint64(len(lines)))
	for _, l := range lines {
		part(l.name)
		part(l.value)
	}
	h := sha256.New()
	h.Write(buf)
	h.Write(body)
	return Hash(h.Sum(nil))
}
