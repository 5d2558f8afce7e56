package events

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// validators compiles every schema, formats asserted.
func validators(t *testing.T) map[Type]*jsonschema.Schema {
	t.Helper()
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	out := map[Type]*jsonschema.Schema{}
	for _, e := range Catalogue {
		text, _ := Schema(e.Type)
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(string(text)))
		if err != nil {
			t.Fatal(err)
		}
		id := "urn:lensledger:schema:" + string(e.Type)
		if err := compiler.AddResource(id, doc); err != nil {
			t.Fatal(err)
		}
		if out[e.Type], err = compiler.Compile(id); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func validate(t *testing.T, s *jsonschema.Schema, body string) error {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(body))
	if err != nil {
		t.Fatalf("%s: %v", body, err)
	}
	return s.Validate(doc)
}

func TestGoldenEventsMatchTheirSchema(t *testing.T) {
	schemas := validators(t)
	for _, g := range goldens(t) {
		e := decoded(t, g.body)
		for form, body := range map[string]string{"as sent": g.body, "encoded": string(e.Encode()), "canonical": string(e.Canonical())} {
			if err := validate(t, schemas[e.Type], body); err != nil {
				t.Errorf("%s %s: %v", g.name, form, err)
			}
		}
		for other, schema := range schemas {
			if other != e.Type && validate(t, schema, g.body) == nil {
				t.Errorf("%s is valid as %s", g.name, other)
			}
		}
	}
}

// maker makes random valid payloads from the plans.
type maker struct{ *rand.Rand }

func (m maker) payload(p *plan) map[string]any {
	out := map[string]any{}
	for i := range p.fields {
		f := &p.fields[i]
		switch {
		case f.required || m.IntN(2) == 0:
			out[f.name] = m.value(f)
		case m.IntN(4) == 0:
			out[f.name] = nil
		}
	}
	// Rules across fields.
	switch p {
	case plans[list[CaseJoined]()]:
		out["other_case"] = "other"
	case plans[list[OperatorChanged]()]:
		out["from"], out["to"] = "S-1", "S-2"
	case plans[list[ChartDesigned]()]:
		out["acceptable"], out["unacceptable"], out["risk_model"] = json.Number("0.02"), json.Number("5e-2"), "m"
	case plans[list[IncisionMade]()]:
		out["width_um"] = json.Number([]string{"800", "3e3"}[m.IntN(2)])
	case plans[list[MeasurementTaken]()]:
		out["value_um"] = json.Number([]string{"2000", "1.0e4"}[m.IntN(2)])
	case plans[list[MachineRead]()]:
		out["machine"] = "m"
	case plans[list[FollowupAcuity]()]:
		out["acuity"] = append(out["acuity"].([]any), m.payload(p.fields[0].item.of))
	case plans[list[FollowupFinding]()]:
		if out["kind"] != "endophthalmitis" {
			out["certainty"] = nil
		}
	case plans[list[FiguresReleased]()]:
		out["from"], out["to"] = "2025-01-01", "2025-06-30"
		out["sha256"] = strings.Repeat("09af", 16)
	case plans[list[EventAmended]()]:
		if target, ok := out["target_type"].(string); ok {
			out["data"] = m.payload(types[Type(target)].plan)
		}
	}
	if _, ok := p.byName["low_vision"]; ok {
		out["logmar_hundredths"], out["low_vision"] = json.Number("30"), nil
		if m.IntN(3) == 0 {
			out["logmar_hundredths"], out["low_vision"], out["convention"] = nil, "hand-movements", "A"
		}
	}
	return out
}

func (m maker) value(f *field) any {
	text := func(alphabet string, longest int) string {
		letters := []rune(alphabet)
		n := 1 + m.IntN(longest)
		if m.IntN(5) == 0 {
			n = longest
		}
		out := make([]rune, n)
		for i := range out {
			out[i] = letters[m.IntN(len(letters))]
		}
		return string(out)
	}
	date := fmt.Sprintf("%d-%02d-%02d", firstYear+m.IntN(lastYear-firstYear+1), 1+m.IntN(12), 1+m.IntN(28))
	switch f.shape {
	case shapeNumber:
		n := f.min + m.Int64N((f.max-f.min)/f.step+1)*f.step
		if m.IntN(5) == 0 {
			n = []int64{f.min, f.max}[m.IntN(2)]
		}
		style := []string{"%s", "%se0", "%sE+0"}[m.IntN(3)]
		if m.IntN(3) == 0 {
			return json.Number(fmt.Sprintf("%de-%d", n, f.places))
		}
		return json.Number(fmt.Sprintf(style, f.plainNumber(n)))
	case shapeFact:
		return m.IntN(2) == 0
	case shapeWord:
		return f.words[m.IntN(len(f.words))]
	case shapeCode:
		return text("abzABZ019-_", 40)
	case shapeID:
		return text(`!"#$%&'()*+,-./09:;<=>?@AZ[\]^_az{|}~`+"`", 100)
	case shapeText:
		return text("aZ 0\"\\/é漢😀\u2028<&>", 500)
	case shapeDate:
		return date
	case shapeInstant:
		return date + "T23:59:59" + []string{"Z", ".5z", "+05:30", ".123456789-09:45"}[m.IntN(4)]
	case shapeType:
		for {
			if e := Catalogue[m.IntN(len(Catalogue))]; e.About != AboutCorrection {
				return string(e.Type)
			}
		}
	case shapeRaw:
		return map[string]any{"a": json.Number("1.50"), "b": []any{nil, "x", true}, "c": nil}
	case shapeList:
		if f.item.shape == shapeWord {
			out := []any{}
			for _, i := range m.Perm(len(f.item.words))[:m.IntN(len(f.item.words)+1)] {
				out = append(out, f.item.words[i])
			}
			return out
		}
		out := make([]any, m.IntN(4))
		for i := range out {
			out[i] = m.value(f.item)
			if f.item.shape == shapeCode {
				out[i] = fmt.Sprintf("P-%d", i) // each once
			}
		}
		return out
	}
	return m.payload(f.of)
}

func (m maker) event(e Entry) map[string]any {
	out := map[string]any{
		"specversion": "1.0", "type": string(e.Type),
		"id":         m.value(&field{shape: shapeID}),
		"source":     m.value(&field{shape: shapeCode}),
		"subject":    m.value(&field{shape: shapeCode}),
		"department": m.value(&field{shape: shapeCode}),
		"time":       m.value(&field{shape: shapeInstant}),
		"data":       m.payload(types[e.Type].plan),
	}
	if m.IntN(3) == 0 {
		out["datacontenttype"] = []any{"application/json", "Application/JSON; charset=utf-8", `application/json ;charset="UTF-8"`, nil}[m.IntN(4)]
		out["traceparent"], out["dataschema"] = "00-1-2-03", nil
	}
	return out
}

// spot is one place of an event that a mutation can change.
type spot struct {
	object map[string]any
	key    string
	list   []any
	index  int
}

func spots(v any, out []spot) []spot {
	switch v := v.(type) {
	case map[string]any:
		_, raw := v["target_id"] // the data of an amendment may hold anything
		for _, key := range slices.Sorted(maps.Keys(v)) {
			out = append(out, spot{object: v, key: key})
			if !raw || key != "data" {
				out = spots(v[key], out)
			}
		}
	case []any:
		for i := range v {
			out = append(out, spot{list: v, index: i})
			out = spots(v[i], out)
		}
	}
	return out
}

var strange = []any{
	nil, true, false, []any{}, map[string]any{}, []any{nil}, []any{"glaucoma", "glaucoma"}, map[string]any{"x": json.Number("1")},
	"", "x", "right", "undetermined", "has space", "2025-03-12", "2025-02-30", "2025-03-12T10:41:07", "2025-03-12T10:41:07Z", "2016-12-31T23:59:60Z",
	"2025-03-12T10:41:07-00:00", "2025-03-12T10:41:07+14:30", "2025-03-12 10:41:07Z", "1899-12-31T00:00:00Z", "2025-03-12T10:41:07.0000000000Z",
	"a\x00b", "a\nb", "a\u0085b", "1.0", "application/xml", "application/json; charset=latin1", "application/json;", "lensledger.case.booked.v1", "lensledger.case.booked.v2",
	"lensledger.event.amended.v1", strings.Repeat("a", 40), strings.Repeat("a", 41), strings.Repeat("é", 500), strings.Repeat("é", 501), strings.Repeat("a", 101),
	json.Number("0"), json.Number("-0.0"), json.Number("1"), json.Number("181"), json.Number("180"), json.Number("0.001"), json.Number("0.25"), json.Number("0.0000001"),
	json.Number("22.4"), json.Number("-20.25"), json.Number("60.25"), json.Number("1e3"), json.Number("1e300"), json.Number("-1e300"), json.Number("9007199254740993"),
	json.Number("179.99999999999999999999999"), json.Number("180.00000000000000000000001"), json.Number("0.95"), json.Number("0.9500001"), json.Number("1.5e1"),
}

func (m maker) mutate(event map[string]any) {
	all := spots(event, nil)
	s := all[m.IntN(len(all))]
	switch choice := m.IntN(8); {
	case s.object != nil && choice == 0:
		delete(s.object, s.key)
	case s.object != nil && choice == 1:
		s.object[s.key+"x"] = s.object[s.key]
	case s.object != nil:
		s.object[s.key] = strange[m.IntN(len(strange))]
	default:
		s.list[s.index] = strange[m.IntN(len(strange))]
	}
}

// beyondSchema is what only the decoder refuses in these events: rules across
// fields, and a control character in an attribute that is ignored.
func beyondSchema(p Problem) bool {
	return strings.HasPrefix(p.Pointer, "/data/data/") ||
		strings.HasPrefix(p.Pointer, "/data/acuity/") && (p.Code == CodeMissing || p.Code == CodeNotAllowed) ||
		slices.Contains([]string{"/data/to", "/data/unacceptable", "/data/risk_model", "/data/other_case", "/data/target_id",
			"/data/width_um", "/data/value_um", "/data/machine", "/data/acuity", "/data/certainty", "/data/sha256", "/traceparent", "/dataschema", "/datacontenttype"}, p.Pointer)
}

// Decoder and schema are made from one plan and agree: both accept what is made
// from it, and they judge damaged events alike, apart from beyondSchema.
func TestSchemaAgreesWithDecoder(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	m := maker{rand.New(rand.NewPCG(seed, 0))}
	schemas := validators(t)
	rounds := 150
	if testing.Short() {
		rounds = 30
	}
	refused := 0
	for _, entry := range Catalogue {
		for range rounds {
			event := m.event(entry)
			body, err := json.Marshal(event)
			if err != nil {
				t.Fatal(err)
			}
			e, problems := DecodeStructured(body)
			if len(problems) > 0 {
				t.Fatalf("seed %d: a valid event is refused\n%s\n%v", seed, body, problems)
			}
			if err := validate(t, schemas[entry.Type], string(body)); err != nil {
				t.Fatalf("seed %d: a valid event breaks its schema\n%s\n%v", seed, body, err)
			}
			if again, problems := DecodeStructured(e.Encode()); len(problems) > 0 || again.Hash() != e.Hash() {
				t.Fatalf("seed %d: encoding changes\n%s\n%s\n%v", seed, body, e.Encode(), problems)
			}
			header, data := e.EncodeBinary()
			if again, problems := Decode(header, data); len(problems) > 0 || again.Hash() != e.Hash() {
				t.Fatalf("seed %d: binary encoding changes\n%s\n%v", seed, body, problems)
			}

			m.mutate(event)
			body, err = json.Marshal(event)
			if err != nil {
				t.Fatal(err)
			}
			_, problems = DecodeStructured(body)
			err = validate(t, schemas[entry.Type], string(body))
			switch {
			case err != nil && len(problems) == 0:
				t.Fatalf("seed %d: only the schema refuses\n%s\n%v", seed, body, err)
			case err == nil && slices.ContainsFunc(problems, func(p Problem) bool { return !beyondSchema(p) }):
				t.Fatalf("seed %d: only the decoder refuses\n%s\n%v", seed, body, problems)
			case err != nil:
				refused++
			}
		}
	}
	if refused < len(Catalogue)*rounds/4 {
		t.Errorf("only %d of the damaged events were refused", refused)
	}
}
