package events

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// plain marks the bytes of a JSON string that stand for themselves. 0xC2 may
// begin a control character (U+0080 to U+009F) and is looked at again.
var plain = func() (t [256]bool) {
	for b := 0x20; b < 0x100; b++ {
		t[b] = b != '"' && b != '\\' && b != 0x7f && b != 0xc2
	}
	return t
}()

// str scans a string; the position is at its opening quote. fault names the
// first refused character, which is U+FFFD in text, so that no text of a tree
// holds a control character. ok is false when the grammar is broken.
func (s *scanner) str() (text, fault string, ok bool) {
	s.pos++
	start := s.pos
	for s.pos < len(s.body) && plain[s.body[s.pos]] {
		s.pos++
	}
	if s.pos < len(s.body) && s.body[s.pos] == '"' {
		text = s.body[start:s.pos]
		s.pos++
		return s.keep(text), "", true
	}
	var b strings.Builder
	b.WriteString(s.body[start:s.pos])
	refuse := func(format string, args ...any) {
		if fault == "" {
			fault = fmt.Sprintf(format, args...)
		}
		b.WriteRune(utf8.RuneError)
	}
	for s.pos < len(s.body) {
		c := s.body[s.pos]
		switch {
		case c == '"':
			s.pos++
			return b.String(), fault, true
		case c == '\\':
			r, surrogate, ok := s.escape()
			switch {
			case !ok:
				return "", "", s.broken("found the escape %q at byte %d, allowed those of RFC 8259",
					cut(s.body[s.pos:min(s.pos+6, len(s.body))], 6), s.pos)
			case surrogate:
				refuse("the lone surrogate \\u%04x", r)
			case control(r):
				refuse("the control character U+%04X", r)
			default:
				b.WriteRune(r)
			}
		case plain[c]:
			b.WriteByte(c)
			s.pos++
		default:
			r, size := utf8.DecodeRuneInString(s.body[s.pos:])
			if control(r) {
				refuse("the control character U+%04X", r)
			} else {
				b.WriteRune(r)
			}
			s.pos += size
		}
	}
	return "", "", s.broken("found the end of the body inside a string")
}

// keep returns text for the tree. The text of a small body is a part of it; a
// large body would be held in memory by one short code, so there it is copied.
func (s *scanner) keep(text string) string {
	if len(s.body) > 4096 {
		return strings.Clone(text)
	}
	return text
}

func control(r rune) bool { return r < 0x20 || r >= 0x7f && r <= 0x9f }

// escape reads one escape, or a surrogate pair of two. The position is at its
// backslash, and stays there when the escape is broken.
func (s *scanner) escape() (r rune, surrogate, ok bool) {
	rest := s.body[s.pos:]
	if len(rest) < 2 {
		return 0, false, false
	}
	if at := strings.IndexByte(`"\/bfnrt`, rest[1]); at >= 0 {
		s.pos += 2
		return rune("\"\\/\b\f\n\r\t"[at]), false, true
	}
	r, ok = hex4(rest)
	if !ok {
		return 0, false, false
	}
	s.pos += 6
	if r < 0xd800 || r > 0xdfff {
		return r, false, true
	}
	if low, ok := hex4(rest[6:]); ok && r < 0xdc00 && low >= 0xdc00 && low <= 0xdfff {
		s.pos += 6
		return (r-0xd800)<<10 + (low - 0xdc00) + 0x10000, false, true
	}
	return r, true, true
}

// hex4 reads \uXXXX.
func hex4(s string) (rune, bool) {
	if len(s) < 6 || s[0] != '\\' || s[1] != 'u' {
		return 0, false
	}
	var r rune
	for _, c := range []byte(s[2:6]) {
		switch {
		case c >= '0' && c <= '9':
			r = r<<4 + rune(c-'0')
		case c >= 'a' && c <= 'f':
			r = r<<4 + rune(c-'a') + 10
		case c >= 'A' && c <= 'F':
			r = r<<4 + rune(c-'A') + 10
		default:
			return 0, false
		}
	}
	return r, true
}

// cut shortens text to n characters, with an ellipsis where it was longer.
func cut(text string, n int) string {
	for i := range text {
		if n == 0 {
			return text[:i] + "…"
		}
		n--
	}
	return text
}
