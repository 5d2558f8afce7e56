package events

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
)

// shape says what values a field may have and how they are written.
type shape uint8

const (
	shapeNumber shape = iota
	shapeFact
	shapeWord
	shapeCode
	shapeID
	shapeText
	shapeDate
	shapeInstant
	shapeType
	shapeRaw
	shapeObject
	shapeList
)

// field is one field of a payload, or the items of a list.
type field struct {
	name     string
	index    int // in the struct
	shape    shape
	required bool
	opt      bool // wrapped in Opt
	pointer  bool // *struct

	places         int   // decimals of a number
	min, max, step int64 // in units of 10^-places
	usual          bool
	low, high      int64 // the usual range
	axis           bool

	words   []string
	allowed string // for a problem's detail
	of      *plan  // of an object
	item    *field // of a list
}

// plan is a payload type, compiled once from its struct tags.
type plan struct {
	typ    reflect.Type
	fields []field        // in order of the struct
	byName map[string]int // position in fields
	sorted []int          // positions in order of name, for the canonical form
	checks bool           // the type has checks across its fields
	usual  bool           // some field, at any depth, has a usual range
}

// checker is a payload, or an object in one, with rules across its fields.
// report takes the name of the field at fault, "" for the object.
type checker interface {
	check(report func(name, code, detail string))
}

func compile(t reflect.Type) *plan {
	p := &plan{typ: t, byName: map[string]int{}}
	for i := range t.NumField() {
		f := compileField(t, t.Field(i))
		f.index = i
		p.byName[f.name] = len(p.fields)
		p.fields = append(p.fields, f)
		inner := f.of
		if f.item != nil {
			inner = f.item.of
		}
		p.usual = p.usual || f.usual || inner != nil && inner.usual
	}
	for i := range p.fields {
		p.sorted = append(p.sorted, i)
	}
	slices.SortFunc(p.sorted, func(a, b int) int { return strings.Compare(p.fields[a].name, p.fields[b].name) })
	_, p.checks = reflect.New(t).Interface().(checker)
	return p
}

// compileField reads one struct tag. A tag that makes no sense is a fault of
// this program and ends it at once.
func compileField(owner reflect.Type, sf reflect.StructField) field {
	parts := strings.Split(sf.Tag.Get("wire"), ",")
	f := field{name: parts[0]}
	wrong := func(why string) {
		panic(fmt.Sprintf("events: %s.%s: %s", owner.Name(), sf.Name, why))
	}
	if f.name == "" {
		wrong("no wire name")
	}
	f.shapeOf(sf.Type, wrong)
	limits := map[string]string{}
	for _, part := range parts[1:] {
		key, value, _ := strings.Cut(part, "=")
		switch key {
		case "required":
			f.required = true
		case "axis":
			f.axis = true
		case "or":
			f.words = append(slices.Clone(f.words), value)
		case "min", "max", "step", "usual":
			limits[key] = value
		default:
			wrong("unknown tag part " + part)
		}
	}
	f.limit(limits, wrong)
	f.describe()
	return f
}

func (f *field) shapeOf(t reflect.Type, wrong func(string)) {
	if t.Kind() == reflect.Struct && strings.HasPrefix(t.Name(), "Opt[") {
		f.opt = true
		t = t.Field(0).Type
	}
	if t.Kind() == reflect.Pointer {
		f.pointer = true
		t = t.Elem()
	}
	switch t {
	case reflect.TypeFor[int64]():
		f.shape = shapeNumber
		return
	case reflect.TypeFor[Hundredths]():
		f.shape, f.places = shapeNumber, 2
		return
	case reflect.TypeFor[Millionths]():
		f.shape, f.places = shapeNumber, 6
		return
	case reflect.TypeFor[Fact]():
		f.shape = shapeFact
		return
	case reflect.TypeFor[Code]():
		f.shape = shapeCode
		return
	case reflect.TypeFor[ID]():
		f.shape = shapeID
		return
	case reflect.TypeFor[Text]():
		f.shape = shapeText
		return
	case reflect.TypeFor[Date]():
		f.shape = shapeDate
		return
	case reflect.TypeFor[time.Time]():
		f.shape = shapeInstant
		return
	case reflect.TypeFor[Type]():
		f.shape = shapeType
		return
	case reflect.TypeFor[Raw]():
		f.shape = shapeRaw
		return
	}
	switch {
	case words[t] != nil:
		f.shape, f.words = shapeWord, words[t]
	case t.Kind() == reflect.Struct:
		f.shape, f.of = shapeObject, compile(t)
	case t.Kind() == reflect.Slice:
		f.shape, f.item = shapeList, &field{}
		f.item.shapeOf(t.Elem(), wrong)
		f.item.describe()
	default:
		wrong("no wire form for " + t.String())
	}
}

func (f *field) limit(limits map[string]string, wrong func(string)) {
	if f.shape != shapeNumber {
		if len(limits) > 0 {
			wrong("limits on what is no number")
		}
		return
	}
	read := func(text string) int64 {
		n, verdict := scaled(text, f.places)
		if verdict != fits || text == "" {
			wrong("limit " + text)
		}
		return n
	}
	if limits["min"] == "" || limits["max"] == "" {
		wrong("a number needs min and max")
	}
	f.min, f.max, f.step = read(limits["min"]), read(limits["max"]), 1
	if limits["step"] != "" {
		f.step = read(limits["step"])
	}
	if low, high, ok := strings.Cut(limits["usual"], ".."); ok {
		f.usual, f.low, f.high = true, read(low), read(high)
	}
	if f.places == 2 && (f.min < math.MinInt32 || f.max > math.MaxInt32) {
		wrong("limits wider than the type")
	}
}

// describe sets what a problem's detail says is allowed.
func (f *field) describe() {
	switch f.shape {
	case shapeNumber:
		f.allowed = f.plainNumber(f.min) + " to " + f.plainNumber(f.max)
		if f.step != 1 {
			f.allowed += " in steps of " + f.plainNumber(f.step)
		}
	case shapeFact:
		f.allowed = "true or false"
	case shapeWord:
		f.allowed = strings.Join(f.words, ", ")
	case shapeCode:
		f.allowed = allowedCode
	case shapeID:
		f.allowed = allowedID
	case shapeText:
		f.allowed = "text of 1 to 500 characters"
	case shapeDate:
		f.allowed = allowedDate
	case shapeInstant:
		f.allowed = allowedInstant
	case shapeType:
		f.allowed = "an event type"
	case shapeRaw, shapeObject:
		f.allowed = "an object"
	case shapeList:
		f.allowed = "a list of: " + f.item.allowed
	}
}

// maxItems bounds a list: of words, each once; of codes or objects, 20.
func (f *field) maxItems() int {
	if f.item.shape == shapeWord {
		return len(f.item.words)
	}
	return 20
}

// once reports whether the items of a list are names, each at most once in it.
func (f *field) once() bool { return f.shape == shapeWord || f.shape == shapeCode }

// grain says how fine a number may be.
func (f *field) grain() string {
	switch {
	case f.places == 0:
		return "whole numbers only"
	case f.step != 1:
		return "in steps of " + f.plainNumber(f.step)
	}
	return fmt.Sprintf("at most %d decimals", f.places)
}

func (f *field) plainNumber(n int64) string { return string(appendScaled(nil, n, f.places)) }

// known is one event type with its compiled payload. lift is nil but for a
// retired version.
type known struct {
	entry Entry
	plan  *plan
	lift  func(old any) (Type, any)
}

// types holds every version that can be read; plans finds the plan of a payload.
var (
	types = compileCatalogue(Catalogue, retired)
	plans = func() map[reflect.Type]*plan {
		m := make(map[reflect.Type]*plan, len(types))
		for _, k := range types {
			m[k.plan.typ] = k.plan
		}
		return m
	}()
)

func compileCatalogue(current []Entry, old []Retired) map[Type]known {
	m := make(map[Type]known, len(current)+len(old))
	for _, e := range current {
		m[e.Type] = known{entry: e, plan: compile(e.Payload)}
	}
	for _, r := range old {
		m[r.Type] = known{entry: r.Entry, plan: compile(r.Payload), lift: r.Lift}
	}
	return m
}
