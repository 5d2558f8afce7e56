package events

import (
	"encoding/json"
	"strings"
)

// Patterns are written in the part of the syntax that ECMA-262 and RE2 share.
const (
	patternCode    = `^[A-Za-z0-9_-]{1,40}$`
	patternID      = `^[!-~]{1,100}$`
	patternText    = `^[^\x00-\x1f\x7f-\x9f]*$`
	patternDate    = `^(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}$`
	patternInstant = `^(19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}[Tt]([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,9})?` +
		`([Zz]|[+](0[0-9]|1[0-3]):[0-5][0-9]|[+]14:00|-00:(0[1-9]|[1-5][0-9])|-(0[1-9]|1[0-3]):[0-5][0-9]|-14:00)$`
)

type object = map[string]any

// Schema gives the JSON Schema (draft 2020-12) of a whole structured event of
// type t, made from the same plan as the decoder; ok is false for an unknown
// type. Formats (date, date-time) are to be asserted. The decoder refuses more
// than a schema can say: repeated keys, size, depth, exponents beyond 9999,
// control characters in keys and ignored attributes, and rules across fields.
func Schema(t Type) (schema []byte, ok bool) {
	k, ok := types[t]
	if !ok {
		return nil, false
	}
	nullable := func(o object) object {
		o["type"] = []string{"string", "null"}
		return o
	}
	properties := object{
		"specversion":     object{"const": specVersion},
		"id":              object{"type": "string", "pattern": patternID},
		"source":          object{"type": "string", "pattern": patternCode},
		"type":            object{"const": string(t)},
		"subject":         object{"type": "string", "pattern": patternCode, "description": "code of the " + k.entry.subject()},
		"department":      object{"type": "string", "pattern": patternCode},
		"time":            object{"type": "string", "format": "date-time", "pattern": patternInstant},
		"datacontenttype": nullable(object{"pattern": `^[Aa][Pp][Pp][Ll][Ii][Cc][Aa][Tt][Ii][Oo][Nn]/[Jj][Ss][Oo][Nn]( *; *[Cc][Hh][Aa][Rr][Ss][Ee][Tt]=([Uu][Tt][Ff]-8|"[Uu][Tt][Ff]-8"))?$`}),
		"dataschema":      nullable(object{}),
		"traceparent":     nullable(object{}),
		"tracestate":      nullable(object{}),
	}
	data := k.plan.schema()
	var required []string
	for _, a := range attributes {
		if a.required {
			required = append(required, a.name)
		}
	}
	if len(k.plan.fields) > 0 {
		required = append(required, "data")
	} else {
		data["type"] = []string{"object", "null"}
	}
	properties["data"] = data
	b, err := json.MarshalIndent(object{
		"$schema":              "https://json-schema.org/draft/2020-12/schema",
		"$id":                  "urn:lensledger:schema:" + string(t),
		"title":                string(t),
		"description":          k.entry.Summary,
		"type":                 "object",
		"properties":           properties,
		"required":             required,
		"additionalProperties": false,
	}, "", "  ")
	if err != nil {
		panic("events: schema of " + string(t) + ": " + err.Error()) // only maps, strings and numbers
	}
	return append(b, '\n'), true
}

// schema is the schema of one payload or object.
func (p *plan) schema() object {
	properties := object{}
	required := []string{}
	for i := range p.fields {
		f := &p.fields[i]
		s := f.schema()
		if f.required {
			required = append(required, f.name)
		} else {
			f.allowNull(s)
		}
		properties[f.name] = s
	}
	return object{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}

// allowNull lets an optional field be null, which is the same as absent.
func (f *field) allowNull(s object) {
	if list, ok := s["enum"].([]any); ok {
		s["enum"] = append(list, nil)
		return
	}
	s["type"] = []any{s["type"], "null"}
}

func (f *field) schema() object {
	switch f.shape {
	case shapeNumber:
		s := object{"type": "number", "minimum": f.schemaNumber(f.min), "maximum": f.schemaNumber(f.max), "multipleOf": f.schemaNumber(f.step)}
		if f.places == 0 {
			s["type"] = "integer"
		}
		if f.places == 0 && f.step == 1 {
			delete(s, "multipleOf")
		}
		if note := f.note(); note != "" {
			s["description"] = note
		}
		return s
	case shapeFact:
		return object{"type": "boolean"}
	case shapeWord:
		return object{"enum": anyOf(f.words)}
	case shapeCode:
		return object{"type": "string", "pattern": patternCode}
	case shapeID:
		return object{"type": "string", "pattern": patternID}
	case shapeText:
		return object{"type": "string", "minLength": 1, "maxLength": maxText, "pattern": patternText}
	case shapeDate:
		return object{"type": "string", "format": "date", "pattern": patternDate}
	case shapeInstant:
		return object{"type": "string", "format": "date-time", "pattern": patternInstant}
	case shapeType:
		var names []string
		for _, e := range Catalogue {
			if e.About != AboutCorrection {
				names = append(names, string(e.Type))
			}
		}
		for _, r := range retired {
			names = append(names, string(r.Type))
		}
		return object{"enum": anyOf(names)}
	case shapeRaw:
		return object{"type": "object"}
	case shapeList:
		s := object{"type": "array", "items": f.item.schema(), "maxItems": f.maxItems()}
		if f.item.once() {
			s["uniqueItems"] = true
		}
		return s
	}
	return f.of.schema()
}

func (f *field) schemaNumber(n int64) json.Number { return json.Number(f.plainNumber(n)) }

// note gives a number's unit and usual range in words.
func (f *field) note() string {
	var parts []string
	if u := f.unit(); u != "" {
		parts = append(parts, u)
	}
	if f.usual {
		parts = append(parts, "usual "+f.plainNumber(f.low)+" to "+f.plainNumber(f.high)+", outside is stored and listed to confirm")
	}
	if f.axis {
		parts = append(parts, "180 is stored as 0")
	}
	return strings.Join(parts, "; ")
}

// units gives the unit that ends a field's name.
var units = []struct{ suffix, unit string }{
	{"_um", "micrometres"},
	{"_deg", "degrees"},
	{"_d", "dioptres"},
	{"_years", "years"},
	{"_ms", "milliseconds"},
	{"_hours", "hours of a clock face"},
	{"logmar_hundredths", "hundredths of logMAR"},
	{"_cases", "operations"},
	{"_injections", "injections"},
	{"_ml", "millilitres"},
	{"_ug", "micrograms"},
	{"_mmhg", "millimetres of mercury"},
}

func (f *field) unit() string {
	for _, u := range units {
		if strings.HasSuffix(f.name, u.suffix) {
			return u.unit
		}
	}
	if f.places == 6 && f.max < 1_000_000 {
		return "probability"
	}
	return ""
}

func anyOf(list []string) []any {
	out := make([]any, 0, len(list)+1)
	for _, w := range list {
		out = append(out, w)
	}
	return out
}
