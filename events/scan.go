package events

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Bounds of one event as sent.
const (
	MaxBytes = 256 << 10 // of the body
	MaxDepth = 16        // of nested objects and lists, the event itself being the first
)

// maxProblems bounds the answer to a body that is wrong throughout.
const maxProblems = 50

type kind uint8

const (
	kindNull kind = iota
	kindFalse
	kindTrue
	kindNumber
	kindString
	kindList
	kindObject
)

// node is one JSON value. Nodes stand in one slice and name each other by index;
// index 0 is the root, so 0 means "none" everywhere else.
type node struct {
	name   string // key in the parent object
	text   string // of a string: its text; of a number: as sent
	parent int32
	first  int32 // first child
	next   int32 // next child of the same parent
	kind   kind
	bad    bool // refused already; not looked at again
}

// tree is a scanned body with the problems found in it so far.
type tree struct {
	nodes    []node
	problems []Problem
	bodyAt   string // pointer of the body: "" for a whole event, "/data" in binary form
}

func newTree() *tree { return &tree{nodes: make([]node, 0, 32)} }

// add appends a child to parent after its sibling prev (0: as the first).
func (t *tree) add(parent, prev int32, name string, k kind, text string) int32 {
	at := int32(len(t.nodes))
	t.nodes = append(t.nodes, node{name: name, text: text, parent: parent, kind: k})
	switch {
	case at == 0:
	case prev == 0:
		t.nodes[parent].first = at
	default:
		t.nodes[prev].next = at
	}
	return at
}

// last is the last child of parent, 0 if it has none.
func (t *tree) last(parent int32) int32 {
	at := t.nodes[parent].first
	for at != 0 && t.nodes[at].next != 0 {
		at = t.nodes[at].next
	}
	return at
}

// child is the child of parent called name, 0 if there is none.
func (t *tree) child(parent int32, name string) int32 {
	for at := t.nodes[parent].first; at != 0; at = t.nodes[at].next {
		if t.nodes[at].name == name {
			return at
		}
	}
	return 0
}

func (t *tree) report(pointer, code, format string, args ...any) {
	if len(t.problems) < maxProblems {
		t.problems = append(t.problems, Problem{Pointer: pointer, Code: code, Detail: fmt.Sprintf(format, args...)})
	}
}

// reportAt reports a problem of one node. The pointer of a list's item takes a
// walk along the list, so it is made only for problems that are kept.
func (t *tree) reportAt(at int32, code, format string, args ...any) {
	if len(t.problems) < maxProblems {
		t.report(t.pointer(at), code, format, args...)
	}
}

// pointer is the JSON Pointer of a node.
func (t *tree) pointer(at int32) string {
	if at == 0 {
		return ""
	}
	n := &t.nodes[at]
	up := t.pointer(n.parent)
	if t.nodes[n.parent].kind == kindList {
		i := 0
		for c := t.nodes[n.parent].first; c != at; c = t.nodes[c].next {
			i++
		}
		return fmt.Sprintf("%s/%d", up, i)
	}
	return up + "/" + token(n.name)
}

// token is a name as one step of a JSON Pointer, cut to a length fit for a log.
func token(name string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(cut(name, 80))
}

// scanner reads one JSON text (RFC 8259) into a tree. What breaks the grammar
// ends the scan; a repeated key, a refused character or an absurd exponent is
// reported with its pointer, and the scan goes on to find what else is wrong.
type scanner struct {
	*tree
	body string
	pos  int
}

// scan reads the whole body as a value called name under parent. It is false
// when the tree is incomplete; then the last problem says why.
func (t *tree) scan(body []byte, parent int32, name string, depth int) bool {
	if len(body) > MaxBytes {
		return t.broken("found a body of %d bytes, allowed %d", len(body), MaxBytes)
	}
	if !utf8.Valid(body) {
		at := 0
		for at < len(body) {
			r, size := utf8.DecodeRune(body[at:])
			if r == utf8.RuneError && size == 1 {
				break
			}
			at += size
		}
		return t.broken("found invalid UTF-8 (byte 0x%02x) at byte %d", body[at], at)
	}
	s := scanner{tree: t, body: string(body)}
	s.space()
	if s.pos == len(s.body) {
		return t.broken("found an empty body, allowed one JSON object")
	}
	prev := int32(0)
	if len(t.nodes) > 0 {
		prev = t.last(parent)
	}
	if !s.value(parent, prev, name, depth) {
		return false
	}
	s.space()
	if s.pos < len(s.body) {
		return t.broken("found %s after the end of the JSON text at byte %d", s.here(), s.pos)
	}
	return true
}

func (t *tree) broken(format string, args ...any) bool {
	t.report(t.bodyAt, CodeNotJSON, format, args...)
	return false
}

// here quotes what stands at the scanner's position.
func (s *scanner) here() string {
	rest := s.body[s.pos:]
	if rest == "" {
		return "the end"
	}
	end := 0
	for end < len(rest) && end < 20 && (rest[end] >= 'a' && rest[end] <= 'z' || rest[end] >= 'A' && rest[end] <= 'Z') {
		end++
	}
	if end == 0 {
		_, end = utf8.DecodeRuneInString(rest)
	}
	return fmt.Sprintf("%q", rest[:end])
}

func (s *scanner) space() {
	for s.pos < len(s.body) {
		switch s.body[s.pos] {
		case ' ', '\t', '\n', '\r':
			s.pos++
		default:
			return
		}
	}
}

// value scans one value; the position is at its first byte.
func (s *scanner) value(parent, prev int32, name string, depth int) bool {
	if s.pos == len(s.body) {
		return s.broken("found the end of the body, allowed a JSON value")
	}
	switch c := s.body[s.pos]; {
	case c == '"':
		at := s.add(parent, prev, name, kindString, "")
		text, fault, ok := s.str()
		if !ok {
			return false
		}
		if fault != "" {
			s.nodes[at].bad = true
			s.reportAt(at, CodeNotJSON, "%s: found %s in text, allowed printable characters", name, fault)
		}
		s.nodes[at].text = text
		return true
	case c == '-' || c >= '0' && c <= '9':
		return s.number(parent, prev, name)
	case c == '{' || c == '[':
		if depth > MaxDepth {
			return s.broken("found nesting deeper than %d at byte %d, allowed %d", MaxDepth, s.pos, MaxDepth)
		}
		s.pos++
		if c == '{' {
			return s.object(s.add(parent, prev, name, kindObject, ""), depth)
		}
		return s.list(s.add(parent, prev, name, kindList, ""), depth)
	case strings.HasPrefix(s.body[s.pos:], "true"):
		return s.word(parent, prev, name, kindTrue, 4)
	case strings.HasPrefix(s.body[s.pos:], "false"):
		return s.word(parent, prev, name, kindFalse, 5)
	case strings.HasPrefix(s.body[s.pos:], "null"):
		return s.word(parent, prev, name, kindNull, 4)
	}
	return s.broken("found %s at byte %d, allowed a JSON value", s.here(), s.pos)
}

func (s *scanner) word(parent, prev int32, name string, k kind, size int) bool {
	s.add(parent, prev, name, k, "")
	s.pos += size
	return true
}

func (s *scanner) object(at int32, depth int) bool {
	s.space()
	if s.pos < len(s.body) && s.body[s.pos] == '}' {
		s.pos++
		return true
	}
	var seen map[string]bool // from the 17th key on; few keys are compared one by one
	prev := int32(0)
	for count := 0; ; count++ {
		if s.pos == len(s.body) || s.body[s.pos] != '"' {
			return s.broken("found %s at byte %d, allowed a key in double quotes", s.here(), s.pos)
		}
		key, fault, ok := s.str()
		if !ok {
			return false
		}
		if fault != "" {
			s.report(s.pointer(at)+"/"+token(key), CodeNotJSON, "found %s in a key, allowed printable characters", fault)
		}
		var repeated bool
		if count < 16 {
			repeated = s.child(at, key) != 0
		} else {
			if seen == nil {
				seen = make(map[string]bool)
				for c := s.nodes[at].first; c != 0; c = s.nodes[c].next {
					seen[s.nodes[c].name] = true
				}
			}
			repeated = seen[key]
			seen[key] = true
		}
		if s.space(); s.pos == len(s.body) || s.body[s.pos] != ':' {
			return s.broken("found %s at byte %d, allowed ':' after the key %q", s.here(), s.pos, cut(key, 40))
		}
		s.pos++
		s.space()
		next := int32(len(s.nodes))
		if !s.value(at, prev, key, depth+1) {
			return false
		}
		prev = next
		if repeated {
			s.nodes[next].bad = true
			s.reportAt(next, CodeNotJSON, "%s: found twice, allowed once", cut(key, 80))
		} else if fault != "" {
			s.nodes[next].bad = true
		}
		if more, ok := s.more('}'); !ok || !more {
			return ok
		}
	}
}

func (s *scanner) list(at int32, depth int) bool {
	s.space()
	if s.pos < len(s.body) && s.body[s.pos] == ']' {
		s.pos++
		return true
	}
	for prev := int32(0); ; {
		next := int32(len(s.nodes))
		if !s.value(at, prev, "", depth+1) {
			return false
		}
		prev = next
		if more, ok := s.more(']'); !ok || !more {
			return ok
		}
	}
}

// more reads the comma before another child, or the end of the parent.
func (s *scanner) more(end byte) (more, ok bool) {
	s.space()
	if s.pos < len(s.body) {
		switch s.body[s.pos] {
		case ',':
			s.pos++
			s.space()
			return true, true
		case end:
			s.pos++
			return false, true
		}
	}
	return false, s.broken("found %s at byte %d, allowed ',' or '%c'", s.here(), s.pos, end)
}

func (s *scanner) number(parent, prev int32, name string) bool {
	start := s.pos
	if s.body[s.pos] == '-' {
		s.pos++
	}
	whole := s.digits()
	ok := whole == 1 || whole > 1 && s.body[s.pos-whole] != '0'
	if ok && s.pos < len(s.body) && s.body[s.pos] == '.' {
		s.pos++
		ok = s.digits() > 0
	}
	exponent := 0
	if ok && s.pos < len(s.body) && (s.body[s.pos] == 'e' || s.body[s.pos] == 'E') {
		s.pos++
		if s.pos < len(s.body) && (s.body[s.pos] == '+' || s.body[s.pos] == '-') {
			s.pos++
		}
		from := s.pos
		ok = s.digits() > 0
		for _, d := range s.body[from:s.pos] {
			exponent = min(exponent*10+int(d-'0'), maxExponent+1)
		}
	}
	if !ok {
		return s.broken("found the number %q at byte %d, allowed a number as in RFC 8259", cut(s.body[start:min(s.pos+1, len(s.body))], 40), start)
	}
	at := s.add(parent, prev, name, kindNumber, s.body[start:s.pos])
	if exponent > maxExponent {
		s.nodes[at].bad = true
		s.reportAt(at, CodeOutOfRange, "%s: found %s, allowed exponents to %d", name, cut(s.body[start:s.pos], 40), maxExponent)
	}
	return true
}

func (s *scanner) digits() int {
	start := s.pos
	for s.pos < len(s.body) && s.body[s.pos] >= '0' && s.body[s.pos] <= '9' {
		s.pos++
	}
	return s.pos - start
}
