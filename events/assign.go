package events

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

const (
	maxText = 500      // characters
	maxRaw  = 64 << 10 // bytes in canonical form

	allowedCode = "a code of 1 to 40 letters, digits, - and _"
	allowedID   = "1 to 100 printable ASCII characters without spaces"
)

// assign fills the struct v from the object at, and reports everything that is
// wrong with it.
func (p *plan) assign(t *tree, at int32, v reflect.Value) {
	if n := &t.nodes[at]; n.kind != kindObject {
		t.reportAt(at, CodeWrongType, "%s: found %s, allowed an object", t.label(at), t.found(at))
		return
	}
	before := len(t.problems)
	var seen uint64
	for c := t.nodes[at].first; c != 0 && len(t.problems) < maxProblems; c = t.nodes[c].next {
		n := &t.nodes[c]
		i, ok := p.byName[n.name]
		if !ok {
			t.reportAt(c, CodeUnknownField, "%s", p.unknown(n.name))
			continue
		}
		if n.kind == kindNull && !n.bad {
			continue
		}
		seen |= 1 << i
		if !n.bad {
			f := &p.fields[i]
			f.assign(t, c, v.Field(f.index))
		}
	}
	for i := range p.fields {
		if f := &p.fields[i]; f.required && seen&(1<<i) == 0 {
			t.report(t.pointer(at)+"/"+f.name, CodeMissing, "%s: missing, required: %s", f.name, f.allowed)
		}
	}
	if p.checks && len(t.problems) == before {
		v.Addr().Interface().(checker).check(func(name, code, detail string) {
			pointer := t.pointer(at)
			if name != "" {
				pointer += "/" + name
			}
			t.report(pointer, code, "%s", detail)
		})
	}
}

// unknown says that there is no such field, and which one may be meant.
func (p *plan) unknown(name string) string {
	names := make([]string, 0, len(p.fields))
	for i := range p.fields {
		names = append(names, p.fields[i].name)
	}
	found := fmt.Sprintf("found the unknown field %q", cut(name, 80))
	switch near := nearest(name, names); {
	case near != "":
		return found + "; did you mean " + near + "?"
	case len(names) == 0:
		return found + ", allowed none"
	}
	return found + ", allowed " + strings.Join(names, ", ")
}

// label names a node in a problem's detail.
func (t *tree) label(at int32) string {
	switch n := &t.nodes[at]; {
	case at == 0:
		return "event"
	case n.name != "":
		return cut(n.name, 80)
	}
	return t.label(t.nodes[at].parent)
}

// found describes a node in a problem's detail.
func (t *tree) found(at int32) string {
	switch n := &t.nodes[at]; n.kind {
	case kindString:
		return fmt.Sprintf("%q", cut(n.text, 40))
	case kindNumber:
		return cut(n.text, 40)
	case kindTrue:
		return "true"
	case kindFalse:
		return "false"
	case kindNull:
		return "null"
	case kindList:
		return "a list"
	}
	return "an object"
}

// refuse reports the value of field f at a node.
func (f *field) refuse(t *tree, at int32, code string) {
	allowed := f.allowed
	if f.shape == shapeNumber && code == CodeWrongType {
		allowed = "a number, " + allowed
	}
	t.reportAt(at, code, "%s: found %s, allowed %s", t.label(at), t.found(at), allowed)
}

func (f *field) assign(t *tree, at int32, v reflect.Value) {
	n := &t.nodes[at]
	if f.opt {
		v.Field(1).SetBool(true)
		v = v.Field(0)
	}
	switch f.shape {
	case shapeNumber:
		f.assignNumber(t, at, v)
		return
	case shapeFact:
		switch n.kind {
		case kindTrue:
			v.SetInt(int64(Yes))
		case kindFalse:
			v.SetInt(int64(No))
		default:
			f.refuse(t, at, CodeWrongType)
		}
		return
	case shapeObject:
		if f.pointer {
			v.Set(reflect.New(v.Type().Elem()))
			v = v.Elem()
		}
		f.of.assign(t, at, v)
		return
	case shapeList:
		f.assignList(t, at, v)
		return
	case shapeRaw:
		if n.kind != kindObject {
			f.refuse(t, at, CodeWrongType)
			return
		}
		raw := t.appendCanonical(nil, at)
		if len(raw) > maxRaw {
			t.reportAt(at, CodeOutOfRange, "%s: found %d bytes, allowed %d", f.name, len(raw), maxRaw)
		}
		v.SetBytes(raw)
		return
	}
	if n.kind != kindString {
		f.refuse(t, at, CodeWrongType)
		return
	}
	switch f.shape {
	case shapeWord:
		i := slices.Index(f.words, n.text)
		if i < 0 {
			f.refuse(t, at, CodeNotAllowed)
			return
		}
		v.SetString(f.words[i]) // the program's own copy of the word, not a part of the body
	case shapeCode:
		if !isCode(n.text) {
			f.refuse(t, at, CodeNotAllowed)
		}
		v.SetString(n.text)
	case shapeID:
		if !isID(n.text) {
			f.refuse(t, at, CodeNotAllowed)
		}
		v.SetString(n.text)
	case shapeText:
		if n.text == "" || len(n.text) > maxText && utf8.RuneCountInString(n.text) > maxText {
			t.reportAt(at, CodeOutOfRange, "%s: found %d characters, allowed 1 to %d; leave the field out when nothing is known",
				t.label(at), utf8.RuneCountInString(n.text), maxText)
		}
		v.SetString(n.text)
	case shapeDate:
		if _, _, _, ok := parseDate(n.text); !ok || len(n.text) != 10 {
			f.refuse(t, at, CodeOutOfRange)
		}
		v.SetString(n.text)
	case shapeInstant:
		instant, fault := parseInstant(n.text)
		if fault != "" {
			t.reportAt(at, CodeTime, "%s: %s", t.label(at), fault)
			return
		}
		*v.Addr().Interface().(*time.Time) = instant
	case shapeType:
		if k, ok := types[Type(n.text)]; ok {
			v.SetString(string(k.entry.Type))
		} else {
			code, detail := Type(n.text).judge()
			t.reportAt(at, code, "%s: %s", t.label(at), detail)
		}
	}
}

func (f *field) assignNumber(t *tree, at int32, v reflect.Value) {
	if t.nodes[at].kind != kindNumber {
		f.refuse(t, at, CodeWrongType)
		return
	}
	n, verdict := scaled(t.nodes[at].text, f.places)
	switch {
	case verdict == tooFine || verdict == fits && n >= f.min && n <= f.max && n%f.step != 0:
		t.reportAt(at, CodeOutOfRange, "%s: found %s, allowed %s to %s, %s",
			t.label(at), t.found(at), f.plainNumber(f.min), f.plainNumber(f.max), f.grain())
		return
	case verdict == tooWide || n < f.min || n > f.max:
		f.refuse(t, at, CodeOutOfRange)
		return
	}
	v.SetInt(f.turned(n))
}

// turned is n, but 0 for an axis of 180 degrees, which is the same meridian.
func (f *field) turned(n int64) int64 {
	if f.axis && n == f.max {
		return 0
	}
	return n
}

func (f *field) assignList(t *tree, at int32, v reflect.Value) {
	if t.nodes[at].kind != kindList {
		f.refuse(t, at, CodeWrongType)
		return
	}
	count := 0
	for c := t.nodes[at].first; c != 0; c = t.nodes[c].next {
		count++
	}
	if limit := f.maxItems(); count > limit {
		t.reportAt(at, CodeOutOfRange, "%s: found %d items, allowed %d", f.name, count, limit)
		return
	}
	list := reflect.MakeSlice(v.Type(), count, count)
	i := 0
	for c := t.nodes[at].first; c != 0; c = t.nodes[c].next {
		if n := &t.nodes[c]; !n.bad {
			f.item.assign(t, c, list.Index(i))
			if f.item.once() && n.kind == kindString && t.repeats(at, c) {
				t.reportAt(c, CodeNotAllowed, "%s: found %s twice, allowed once", f.name, t.found(c))
			}
		}
		i++
	}
	v.Set(list)
}

// repeats reports whether an earlier item of a list has the same text.
func (t *tree) repeats(list, at int32) bool {
	for c := t.nodes[list].first; c != at; c = t.nodes[c].next {
		if t.nodes[c].kind == kindString && t.nodes[c].text == t.nodes[at].text {
			return true
		}
	}
	return false
}

func isCode(s string) bool {
	if s == "" || len(s) > 40 {
		return false
	}
	for _, c := range []byte(s) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return false
		}
	}
	return true
}

func isID(s string) bool {
	if s == "" || len(s) > 100 {
		return false
	}
	for _, c := range []byte(s) {
		if c <= ' ' || c > '~' {
			return false
		}
	}
	return true
}

// nearest is the candidate within a small edit distance of name, "" if none is.
func nearest(name string, candidates []string) string {
	best, near := 1+min(len(name)/3, 4), ""
	if len(name) > 60 {
		return ""
	}
	for _, c := range candidates {
		if d := distance(name, c); d < best {
			best, near = d, c
		}
	}
	return near
}

// distance is the number of insertions, deletions and replacements of bytes
// that turn a into b.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
