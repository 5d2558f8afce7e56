package stream

import "strings"

// StreamName is the name of the one stream of record.
const StreamName = "CASES"

// subjectPrefix begins every subject of the stream; v1 is the version of the
// subject's layout, not of an event type.
const subjectPrefix = "cases.v1."

// subjectFilter is what the stream takes in.
const subjectFilter = subjectPrefix + ">"

// Subject gives the subject an event is published on:
// cases.v1.<source>.<department>.<noun>.<participle>. Source and department are
// codes, noun and participle the words of the event type; each is made of
// [A-Za-z0-9_-], which Publish checks.
func Subject(source, department, noun, participle string) string {
	return subjectPrefix + source + "." + department + "." + noun + "." + participle
}

// SubjectWords are the four words of a subject that vary.
type SubjectWords struct{ Source, Department, Noun, Participle string }

// ParseSubject takes a subject apart again. It reports false for anything that
// Subject can't have made. Source is who really spoke: the broker lets a
// publisher use its own source only.
func ParseSubject(subject string) (SubjectWords, bool) {
	rest, ok := strings.CutPrefix(subject, subjectPrefix)
	if !ok {
		return SubjectWords{}, false
	}
	words := strings.Split(rest, ".")
	if len(words) != 4 {
		return SubjectWords{}, false
	}
	for _, w := range words {
		if !isCode(w) {
			return SubjectWords{}, false
		}
	}
	return SubjectWords{words[0], words[1], words[2], words[3]}, true
}

// isCode reports whether s is a word that is safe as one token of a subject.
func isCode(s string) bool {
	if s == "" {
		return false
	}
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', c == '_', c == '-':
		default:
			return false
		}
	}
	return true
}
