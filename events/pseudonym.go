package events

import (
	"bytes"
	"fmt"
	"reflect"
	"strings"
	"unicode/utf8"
)

// Role says what a person's code stands for: the same letters may name a patient
// and, somewhere else, a surgeon.
type Role string

// The roles of persons that events name. A surgeon's code also names trainers and
// whoever verified, noticed or reviewed something.
const (
	RolePatient Role = "patient"
	RoleSurgeon Role = "surgeon"
)

// personFields are the fields that name persons, by wire name. A name means the
// same in every type, so that the replacement data of an amendment needs no type.
var personFields = map[string]Role{
	"patient":                RolePatient,
	"responsible_consultant": RoleSurgeon,
	"planned_first_operator": RoleSurgeon,
	"first_operator":         RoleSurgeon,
	"operator":               RoleSurgeon,
	"from":                   RoleSurgeon,
	"to":                     RoleSurgeon,
	"noticed_by":             RoleSurgeon,
	"caused_by":              RoleSurgeon,
	"by":                     RoleSurgeon,
	"trainer":                RoleSurgeon,
	"verified_by":            RoleSurgeon,
	"scope":                  RoleSurgeon,
	"owner":                  RoleSurgeon,
}

// alarmField holds a code that is derived from a surgeon's.
const alarmField = "alarm"

// prose are the fields of free text that no figure reads. A code of at least
// minProse characters that stands in one as a word of its own is replaced too.
var prose = map[string]bool{"management": true, "chosen_by": true, "action": true, "agreed_action": true, "reason": true,
	"note": true, "words": true}

// minProse keeps a code such as "5" from being taken for a number of a sentence.
const minProse = 4

// Pseudonym puts one code in the place of a person's in everything that an event
// says. It keeps the event's identity and time.
type Pseudonym struct {
	Role Role
	Code string // of the person, which goes
	New  string // what comes in its place

	// Charts gives, for the code of each chart that is derived from Code, the one
	// derived from New. A code of an alarm is that of its chart and "-" and more.
	Charts map[string]string

	// Corrected says what the target of a correction is about; the correction's
	// subject is the target's. Nil, or an empty answer, means a case.
	Corrected func(target Identity, subject string) About
}

// Apply gives the event with the pseudonym in it, and whether it named the person.
// e itself isn't changed. The result is made by encoding and decoding, so that its
// canonical form and hash are those of what is stored.
func (p Pseudonym) Apply(e Event) (Event, bool, error) {
	w := walk{Pseudonym: p, only: true}
	w.event(&e)
	if !w.found {
		return e, false, nil
	}
	changed, problems := DecodeStructured(e.Encode())
	if len(problems) == 0 {
		w = walk{Pseudonym: p}
		w.event(&changed)
		changed, problems = DecodeStructured(changed.Encode())
	}
	if len(problems) > 0 {
		return Event{}, true, fmt.Errorf("put a pseudonym into a %s: %s at %s", e.Type, problems[0].Code, problems[0].Pointer)
	}
	return changed, true, nil
}

// walk goes through the codes of one event; with only it just looks.
type walk struct {
	Pseudonym
	only  bool
	found bool
}

// put gives what stands in the place of a code or a text, and notes if it differs.
func (w *walk) put(now, instead string) string {
	if instead == now {
		return now
	}
	w.found = true
	if w.only {
		return now
	}
	return instead
}

func (w *walk) event(e *Event) {
	e.Subject = w.put(e.Subject, w.subject(*e))
	_, data := e.asSent()
	v := reflect.ValueOf(data)
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if p := plans[v.Type()]; p != nil {
		w.object(p, v)
	}
}

// subject is what an event's subject becomes.
func (w *walk) subject(e Event) string {
	typ, data := e.asSent()
	entry, _ := Lookup(typ)
	about := entry.About
	if e.Subject != w.Code && w.derived(e.Subject) == e.Subject {
		return e.Subject
	}
	if about == AboutCorrection && w.Corrected != nil {
		switch d := data.(type) {
		case *EventAmended:
			about = w.Corrected(Identity{string(d.TargetSource), string(d.TargetID)}, e.Subject)
		case *EventRetracted:
			about = w.Corrected(Identity{string(d.TargetSource), string(d.TargetID)}, e.Subject)
		}
	}
	switch {
	case about == AboutSurgeon && w.Role == RoleSurgeon && e.Subject == w.Code:
		return w.New
	case about == AboutChart:
		return w.derived(e.Subject)
	}
	return e.Subject
}

// derived is what the code of a chart or an alarm becomes.
func (w *walk) derived(code string) string {
	for old, fresh := range w.Charts {
		if code == old || strings.HasPrefix(code, old+"-") {
			return fresh + code[len(old):]
		}
	}
	return code
}

// code is what the code in a field becomes.
func (w *walk) code(field, code string) string {
	if role, person := personFields[field]; person && role == w.Role && code == w.Code {
		return w.New
	}
	if field == alarmField {
		return w.derived(code)
	}
	return code
}

func (w *walk) object(p *plan, v reflect.Value) {
	for i := range p.fields {
		f := &p.fields[i]
		if value := v.Field(f.index); !f.absent(value) {
			w.field(f, f.name, value)
		}
	}
}

func (w *walk) field(f *field, name string, v reflect.Value) {
	if f.opt {
		v = v.Field(0)
	}
	set := func(instead string) {
		if now := v.String(); w.put(now, instead) != now {
			v.SetString(instead)
		}
	}
	switch f.shape {
	case shapeCode:
		set(w.code(name, v.String()))
	case shapeText:
		if prose[name] {
			set(w.sentence(v.String()))
		}
	case shapeObject:
		if f.pointer {
			v = v.Elem()
		}
		w.object(f.of, v)
	case shapeList:
		for i := range v.Len() {
			w.field(f.item, name, v.Index(i))
		}
	case shapeRaw:
		t := newTree()
		if !t.scan(v.Bytes(), 0, "", 1) || len(t.problems) > 0 {
			return
		}
		before := w.found
		w.found = false
		for i := range t.nodes {
			if n := &t.nodes[i]; n.kind == kindString {
				instead := w.code(n.name, n.text)
				if prose[n.name] && n.name != "reason" { // there it is a word of a list
					instead = w.sentence(n.text)
				}
				n.text = w.put(n.text, instead)
			}
		}
		if w.found && !w.only {
			v.SetBytes(t.appendCanonical(nil, 0))
		}
		w.found = w.found || before
	default: // numbers, words, dates and facts name nobody
	}
}

// sentence replaces the person's code, and codes derived from it, where they stand
// in free text as words of their own.
func (w *walk) sentence(text string) string {
	var b strings.Builder
	for at := 0; at < len(text); {
		end := at
		for end < len(text) && isCode(text[end:end+1]) {
			end++
		}
		if end == at {
			b.WriteByte(text[at])
			at++
			continue
		}
		word := text[at:end]
		if word == w.Code && len(word) >= minProse {
			word = w.New
		}
		b.WriteString(w.derived(word))
		at = end
	}
	out := b.String()
	for utf8.RuneCountInString(out) > maxText {
		_, size := utf8.DecodeLastRuneInString(out)
		out = out[:len(out)-size]
	}
	return out
}

// ApplyBytes does for a message that can't be decoded what can be done: the code,
// and codes derived from it, are replaced where they stand in quotes in the body, or
// are the whole value of a header. Whom the code names there can't be told. Headers
// that carry no event are left out.
func (p Pseudonym) ApplyBytes(header Header, body []byte) (Header, []byte, bool) {
	w := walk{Pseudonym: p}
	pairs := map[string]string{p.Code: p.New}
	for old, fresh := range p.Charts {
		pairs[old] = fresh
	}
	out := body
	for old, fresh := range pairs {
		for _, end := range []string{`"`, "-"} {
			if end == "-" && old == p.Code {
				continue // only a chart's code has one of an alarm behind it
			}
			if token := []byte(`"` + old + end); bytes.Contains(out, token) {
				w.found = true
				out = bytes.ReplaceAll(out, token, []byte(`"`+fresh+end))
			}
		}
	}
	kept := Header{}
	for name, values := range header {
		lower := strings.ToLower(name)
		if lower != "content-type" && !strings.HasPrefix(lower, "ce-") {
			continue
		}
		for _, value := range values {
			text, _ := unescape(value)
			instead := w.derived(text)
			if text == p.Code {
				instead = p.New
			}
			if w.put(text, instead) != text {
				value = escape(instead)
			}
			kept[lower] = append(kept[lower], value)
		}
	}
	return kept, out, w.found
}

// SurgeonsReplaced compares an event with what a pseudonym made of it, and gives
// the surgeons' codes that went, each with what came in its place.
func SurgeonsReplaced(before, after Event) map[string]string {
	was, now := surgeonCodes(before), surgeonCodes(after)
	out := map[string]string{}
	if len(was) != len(now) {
		return out
	}
	for i, code := range was {
		if now[i] != code {
			out[code] = now[i]
		}
	}
	return out
}

// surgeonCodes lists the surgeons' codes of an event in an order that depends on
// nothing but which fields are there.
func surgeonCodes(e Event) []string {
	var out []string
	entry, _ := Lookup(e.Type)
	if entry.About == AboutSurgeon {
		out = append(out, e.Subject)
	}
	t := newTree()
	_, data := e.asSent()
	if !t.scan(appendData(nil, data), 0, "", 1) {
		return nil
	}
	for i := range t.nodes {
		if n := &t.nodes[i]; n.kind == kindString && personFields[n.name] == RoleSurgeon {
			out = append(out, n.text)
		}
	}
	return out
}

// Words lists what a closed vocabulary of events allows, for example Words[Outcome]().
func Words[T ~string]() []T {
	all := words[reflect.TypeFor[T]()]
	out := make([]T, len(all))
	for i, w := range all {
		out[i] = T(w)
	}
	return out
}
