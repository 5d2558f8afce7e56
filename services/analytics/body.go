package analytics

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"lensledger/events"
	"lensledger/projections/measure"
	"lensledger/services/web"
)

// readBody reads a small JSON object into the struct that v points to, by the
// names of its json tags. Every field that the struct doesn't have, or that is
// found twice or of another kind, is a fault with its pointer. null is as good
// as absent. It gives the names that were found with a value.
func readBody(r *http.Request, v any) (given map[string]bool, err error) {
	var raw json.RawMessage
	if err := web.ReadJSON(r, &raw); err != nil {
		return nil, err
	}
	given = map[string]bool{}
	faults := assign(raw, "", reflect.ValueOf(v).Elem(), given)
	if len(faults) > 0 {
		return nil, &web.Error{Code: web.CodeInvalid, Message: "The body doesn't fit. Nothing was done.", Faults: faults}
	}
	return given, nil
}

// assign reads an object into a struct. given, which may be nil, hears the names
// that had a value.
func assign(raw json.RawMessage, pointer string, into reflect.Value, given map[string]bool) []web.Fault {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	if start, err := decoder.Token(); err != nil || start != json.Delim('{') {
		return []web.Fault{{Pointer: pointer, Code: events.CodeWrongType, Detail: "found " + kindOf(raw) + ", allowed an object"}}
	}
	names, fields := fieldsOf(into)
	var faults []web.Fault
	seen := map[string]bool{}
	for decoder.More() {
		token, err := decoder.Token()
		if err != nil {
			return append(faults, web.Fault{Pointer: pointer, Code: events.CodeNotJSON, Detail: "can't be read"})
		}
		name := token.(string) // a name is always a string, the decoder sees to it
		var value json.RawMessage
		if err := decoder.Decode(&value); err != nil {
			return append(faults, web.Fault{Pointer: pointer, Code: events.CodeNotJSON, Detail: "can't be read"})
		}
		at := pointer + "/" + escapePointer(short(name))
		i := slices.Index(names, name)
		switch {
		case i < 0:
			faults = append(faults, web.Fault{Pointer: at, Code: events.CodeUnknownField,
				Detail: fmt.Sprintf("found the unknown field %q, allowed %s", short(name), strings.Join(names, ", "))})
		case seen[name]:
			faults = append(faults, web.Fault{Pointer: at, Code: events.CodeNotAllowed, Detail: "found twice, allowed once"})
		case string(value) == "null":
		default:
			if given != nil {
				given[name] = true
			}
			faults = append(faults, set(value, at, fields[i])...)
		}
		seen[name] = true
	}
	return faults
}

// set reads a value into a field: a list of objects, or whatever encoding/json
// makes of it.
func set(value json.RawMessage, at string, field reflect.Value) []web.Fault {
	if field.Kind() == reflect.Slice && field.Type().Elem().Kind() == reflect.Struct {
		var list []json.RawMessage
		if err := json.Unmarshal(value, &list); err != nil {
			return []web.Fault{{Pointer: at, Code: events.CodeWrongType, Detail: "found " + kindOf(value) + ", allowed a list of objects"}}
		}
		var faults []web.Fault
		field.Set(reflect.MakeSlice(field.Type(), len(list), len(list)))
		for i, one := range list {
			faults = append(faults, assign(one, at+"/"+strconv.Itoa(i), field.Index(i), nil)...)
		}
		return faults
	}
	if err := json.Unmarshal(value, field.Addr().Interface()); err != nil {
		return []web.Fault{{Pointer: at, Code: events.CodeWrongType, Detail: "found " + kindOf(value) + ", allowed " + allowedKind(field.Type())}}
	}
	return nil
}

// fieldsOf lists a struct's fields with their names on the wire.
func fieldsOf(v reflect.Value) (names []string, fields []reflect.Value) {
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		names, fields = append(names, name), append(fields, v.Field(i))
	}
	return names, fields
}

// kindOf words what a JSON value is, without quoting it at length.
func kindOf(value json.RawMessage) string {
	switch value = bytes.TrimSpace(value); {
	case len(value) == 0:
		return "nothing"
	case value[0] == '{':
		return "an object"
	case value[0] == '[':
		return "a list"
	case value[0] == '"':
		return "text"
	}
	return short(string(value))
}

func allowedKind(t reflect.Type) string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "a whole number"
	case reflect.Float64:
		return "a number"
	case reflect.Slice:
		return "a list"
	}
	return "text"
}

func escapePointer(name string) string {
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
}

// refused is the answer to values that break a rule.
func refused(faults ...web.Fault) *web.Error {
	return &web.Error{Code: web.CodeRefused, Message: "A value is outside of what is allowed. Nothing was done.", Faults: faults}
}

// argumentError words a measure's refusal of an argument; other errors stay.
func argumentError(err error, names []string) error {
	var argument *measure.ArgumentError
	if !errors.As(err, &argument) {
		return err
	}
	pointer := ""
	for _, name := range names {
		// A part of a list is named "risk of case_mix".
		if argument.Name == name || strings.HasSuffix(argument.Name, " "+name) {
			pointer = "/" + name
		}
	}
	return refused(web.Fault{Pointer: pointer, Code: events.CodeOutOfRange,
		Detail: fmt.Sprintf("%s: found %s, allowed %s", argument.Name, short(argument.Got), argument.Allowed)})
}
