package events

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// Mapping says which value of the vocabulary a publisher's own word stands for, at
// one place of an event.
type Mapping struct {
	Pointer string `json:"pointer"` // JSON Pointer of a text within the event's data, as a problem gives it: /data/kind
	Found   string `json:"found"`   // what stands there
	Meant   string `json:"meant"`   // what it stands for
}

// CodeMapping is the code of a Problem of Remap.
const CodeMapping = "mapping"

// Remap gives the body of an event as received with some words of its data
// exchanged, nothing else. Each Found has to stand at its Pointer; else it gives a
// Problem for each that doesn't. The result may still be refused by Decode.
func Remap(header Header, body []byte, mappings []Mapping) ([]byte, []Problem) {
	fault := func(pointer, format string, args ...any) Problem {
		return Problem{Pointer: pointer, Code: CodeMapping, Detail: fmt.Sprintf(format, args...)}
	}
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber() // 2.50 stays as it was sent
	var root any
	if err := decoder.Decode(&root); err != nil || decoder.More() {
		return nil, []Problem{fault("", "found a body that isn't one JSON value; nothing in it can be mapped")}
	}
	binary := has(header, "ce-specversion") // then the body is the data
	var problems []Problem
	for _, m := range mappings {
		path, ok := strings.CutPrefix(m.Pointer, "/data/")
		if !ok {
			problems = append(problems, fault(m.Pointer, "found a place outside the data; allowed are those under /data/"))
			continue
		}
		if !binary {
			path = m.Pointer[1:]
		}
		value, set := place(root, strings.Split(path, "/"))
		switch text, isText := value.(string); {
		case set == nil:
			problems = append(problems, fault(m.Pointer, "found nothing at this place"))
		case !isText || text != m.Found:
			problems = append(problems, fault(m.Pointer, "found another value than %q at this place", cut(m.Found, 80)))
		default:
			set(m.Meant)
		}
	}
	if len(problems) > 0 {
		return nil, problems
	}
	out, err := json.Marshal(root)
	if err != nil {
		return nil, []Problem{fault("", "the event can't be written: %v", err)}
	}
	return out, nil
}

// place gives the member of an object or list at a path, and what sets it to a
// text; nil where there is none.
func place(at any, path []string) (value any, set func(string)) {
	name := strings.NewReplacer("~1", "/", "~0", "~").Replace(path[0]) // RFC 6901, section 4
	switch in := at.(type) {
	case map[string]any:
		var ok bool
		if value, ok = in[name]; !ok {
			return nil, nil
		}
		set = func(to string) { in[name] = to }
	case []any:
		i, err := strconv.Atoi(name)
		if err != nil || i < 0 || i >= len(in) {
			return nil, nil
		}
		value, set = in[i], func(to string) { in[i] = to }
	default:
		return nil, nil
	}
	if len(path) > 1 {
		return place(value, path[1:])
	}
	return value, set
}
