package events

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"reflect"
	"slices"
	"time"
	"unicode/utf8"
)

// sent is the version that a lifted event had on the wire. Its identity and
// hash stay those of that version.
type sent struct {
	typ  Type
	data any
}

func (e Event) asSent() (Type, any) {
	if e.sent != nil {
		return e.sent.typ, e.sent.data
	}
	return e.Type, e.Data
}

// Canonical is the one byte form of an event's content: JSON with sorted keys,
// without spaces and without absent fields, numbers and times normalised. A
// time keeps its offset, for the local date depends on it; Z and +00:00 are
// equal. Content type, schema and tracing attributes are no part of it.
func (e Event) Canonical() []byte {
	typ, data := e.asSent()
	dst := make([]byte, 0, 512)
	dst = append(dst, `{"data":`...)
	dst = appendData(dst, data)
	dst = append(dst, `,"department":`...)
	dst = appendText(dst, e.Department)
	dst = append(dst, `,"id":`...)
	dst = appendText(dst, e.ID)
	dst = append(dst, `,"source":`...)
	dst = appendText(dst, e.Source)
	dst = append(dst, `,"specversion":"1.0","subject":`...)
	dst = appendText(dst, e.Subject)
	dst = append(dst, `,"time":"`...)
	dst = appendInstant(dst, e.Time)
	dst = append(dst, `","type":`...)
	dst = appendText(dst, string(typ))
	return append(dst, '}')
}

// Hash is the SHA-256 of the canonical form.
func (e Event) Hash() Hash { return sha256.Sum256(e.Canonical()) }

// Encode gives the event in the CloudEvents JSON format. Decoding it gives the
// same event.
func (e Event) Encode() []byte {
	typ, data := e.asSent()
	dst := make([]byte, 0, 512)
	dst = append(dst, `{"specversion":"1.0","id":`...)
	dst = appendText(dst, e.ID)
	dst = append(dst, `,"source":`...)
	dst = appendText(dst, e.Source)
	dst = append(dst, `,"type":`...)
	dst = appendText(dst, string(typ))
	dst = append(dst, `,"subject":`...)
	dst = appendText(dst, e.Subject)
	dst = append(dst, `,"department":`...)
	dst = appendText(dst, e.Department)
	dst = append(dst, `,"time":"`...)
	dst = appendInstant(dst, e.Time)
	dst = append(dst, `","datacontenttype":"application/json","data":`...)
	dst = appendData(dst, data)
	return append(dst, '}')
}

// appendData writes a payload, given as a pointer to its struct.
func appendData(dst []byte, data any) []byte {
	v := reflect.ValueOf(data)
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if !v.IsValid() {
		return append(dst, "{}"...)
	}
	p := plans[v.Type()]
	if p == nil {
		panic(fmt.Sprintf("events: %T is no payload of the catalogue", data))
	}
	return p.append(dst, v)
}

func (p *plan) append(dst []byte, v reflect.Value) []byte {
	dst = append(dst, '{')
	start := len(dst)
	for _, i := range p.sorted {
		f := &p.fields[i]
		value := v.Field(f.index)
		if f.absent(value) {
			continue
		}
		if len(dst) > start {
			dst = append(dst, ',')
		}
		dst = append(dst, '"')
		dst = append(dst, f.name...)
		dst = append(dst, '"', ':')
		dst = f.append(dst, value)
	}
	return append(dst, '}')
}

// absent reports whether a value is unknown and so has no place on the wire.
func (f *field) absent(v reflect.Value) bool {
	switch {
	case f.opt:
		return !v.Field(1).Bool()
	case f.pointer || f.shape == shapeList || f.shape == shapeRaw:
		return v.IsNil()
	case f.shape == shapeNumber || f.shape == shapeObject:
		return false
	}
	return v.IsZero()
}

func (f *field) append(dst []byte, v reflect.Value) []byte {
	if f.opt {
		v = v.Field(0)
	}
	switch f.shape {
	case shapeNumber:
		return appendScaled(dst, f.turned(v.Int()), f.places)
	case shapeFact:
		if v.Int() == int64(Yes) {
			return append(dst, "true"...)
		}
		return append(dst, "false"...)
	case shapeInstant:
		dst = append(dst, '"')
		dst = appendInstant(dst, v.Interface().(time.Time))
		return append(dst, '"')
	case shapeRaw:
		return appendRaw(dst, v.Bytes())
	case shapeObject:
		if f.pointer {
			v = v.Elem()
		}
		return f.of.append(dst, v)
	case shapeList:
		dst = append(dst, '[')
		for i := range v.Len() {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = f.item.append(dst, v.Index(i))
		}
		return append(dst, ']')
	}
	return appendText(dst, v.String())
}

// appendRaw writes replacement data in canonical form. What a decoder made is
// that already; a publisher may have made it in another way.
func appendRaw(dst []byte, raw Raw) []byte {
	t := newTree()
	if !t.scan(raw, 0, "", 1) || len(t.problems) > 0 {
		return append(dst, raw...) // no JSON: the decoder will say so
	}
	return t.appendCanonical(dst, 0)
}

// RawOf gives a payload, a pointer to its struct, as the replacement data of an
// amendment.
func RawOf(payload any) Raw { return appendData(nil, payload) }

// appendText writes a JSON string with the fewest escapes. Invalid UTF-8, which
// no decoded event holds, becomes U+FFFD.
func appendText(dst []byte, s string) []byte {
	const digits = "0123456789abcdef"
	dst = append(dst, '"')
	for i := 0; i < len(s); {
		c := s[i]
		switch {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c < 0x20:
			dst = append(dst, '\\', 'u', '0', '0', digits[c>>4], digits[c&15])
		case c < utf8.RuneSelf:
			dst = append(dst, c)
		default:
			r, size := utf8.DecodeRuneInString(s[i:])
			dst = utf8.AppendRune(dst, r)
			i += size
			continue
		}
		i++
	}
	return append(dst, '"')
}

// appendCanonical writes a scanned value whose type isn't known: keys sorted,
// numbers normalised, members that are null left out.
func (t *tree) appendCanonical(dst []byte, at int32) []byte {
	n := &t.nodes[at]
	switch n.kind {
	case kindNull:
		return append(dst, "null"...)
	case kindFalse:
		return append(dst, "false"...)
	case kindTrue:
		return append(dst, "true"...)
	case kindString:
		return appendText(dst, n.text)
	case kindNumber:
		if n.bad {
			return append(dst, '0') // refused already
		}
		return appendNumber(dst, n.text)
	case kindList:
		dst = append(dst, '[')
		for c := n.first; c != 0; c = t.nodes[c].next {
			if c != n.first {
				dst = append(dst, ',')
			}
			dst = t.appendCanonical(dst, c)
		}
		return append(dst, ']')
	}
	var members []int32
	for c := n.first; c != 0; c = t.nodes[c].next {
		if t.nodes[c].kind != kindNull {
			members = append(members, c)
		}
	}
	slices.SortStableFunc(members, func(a, b int32) int { return cmp.Compare(t.nodes[a].name, t.nodes[b].name) })
	dst = append(dst, '{')
	for i, c := range members {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendText(dst, t.nodes[c].name)
		dst = append(dst, ':')
		dst = t.appendCanonical(dst, c)
	}
	return append(dst, '}')
}
