package analytics

import (
	"encoding/json"
	"maps"
	"math"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/gorilla/mux"

	"lensledger/events"
	"lensledger/projections/measure"
	"lensledger/services/access"
)

// contract reads the document that is served.
func contract(t testing.TB) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(OpenAPI())
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// Validate also holds every example against its schema.
func TestContractIsValid(t *testing.T) {
	if err := contract(t).Validate(t.Context()); err != nil {
		t.Error(err)
	}
}

// Both ways: each route of the API is in the contract, each path of the contract
// is served.
func TestContractHasEveryRouteAndNoOther(t *testing.T) {
	a := calculators(t)
	var served []string
	err := a.router.Walk(func(route *mux.Route, _ *mux.Router, _ []*mux.Route) error {
		path, err := route.GetPathTemplate()
		if err != nil {
			return err
		}
		methods, err := route.GetMethods()
		for _, m := range methods {
			served = append(served, m+" "+path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	var promised []string
	for path, item := range contract(t).Paths.Map() {
		for method := range item.Operations() {
			promised = append(promised, method+" "+path)
		}
	}
	slices.Sort(served)
	slices.Sort(promised)
	if !slices.Equal(served, promised) {
		t.Errorf("served\n%s\npromised\n%s", strings.Join(served, "\n"), strings.Join(promised, "\n"))
	}
	// What the contract calls public is public in the access matrix, and only that.
	// So is what the session of a page opens.
	public, session := map[string]bool{}, map[string]bool{}
	for _, row := range access.Matrix {
		public[row.Method+" "+row.Route], session[row.Method+" "+row.Route] = row.Public, row.Cookie
	}
	for path, item := range contract(t).Paths.Map() {
		for method, operation := range item.Operations() {
			open := operation.Security != nil && len(*operation.Security) == 0
			if key := method + " " + path; open != public[key] {
				t.Errorf("%s: public is %v in the contract, %v in the matrix", key, open, public[key])
			}
			byCookie := false
			if operation.Security != nil {
				for _, scheme := range *operation.Security {
					_, named := scheme["session"]
					byCookie = byCookie || named
				}
			}
			if key := method + " " + path; byCookie != session[key] {
				t.Errorf("%s: opened by a session is %v in the contract, %v in the matrix", key, byCookie, session[key])
			}
		}
	}
}

func TestContractIsServed(t *testing.T) {
	got := calculators(t).call(t, "", "GET", "/openapi.yaml", "")
	if got.status != http.StatusOK || got.body != string(OpenAPI()) {
		t.Errorf("%d, %d bytes", got.status, len(got.body))
	}
}

// Examples of calculators are what they answer.
func TestContractExamplesAreAnswers(t *testing.T) {
	a := calculators(t)
	for _, path := range []string{"/v1/designs", "/v1/risks"} {
		operation := contract(t).Paths.Value(path).Post
		request, err := json.Marshal(operation.RequestBody.Value.Content.Get("application/json").Example)
		if err != nil {
			t.Fatal(err)
		}
		got := a.call(t, "auditor", "POST", path, string(request))
		var answered any
		got.into(t, &answered)
		example := operation.Responses.Value("200").Value.Content.Get("application/json").Example
		if difference := differing("", example, answered); difference != "" {
			t.Errorf("%s: %s", path, difference)
		}
	}
}

// differing says where an answer differs from an example. Numbers may differ in
// the sixth digit, and a list in an example may stop early.
func differing(at string, example, got any) string {
	switch e := example.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok || !slices.Equal(slices.Sorted(maps.Keys(e)), slices.Sorted(maps.Keys(g))) {
			return at + ": other names"
		}
		for name := range e {
			if d := differing(at+"/"+name, e[name], g[name]); d != "" {
				return d
			}
		}
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) < len(e) {
			return at + ": a shorter list"
		}
		for i := range e {
			if d := differing(at+"/"+string(rune('0'+i)), e[i], g[i]); d != "" {
				return d
			}
		}
	case float64:
		if g, ok := got.(float64); !ok || math.Abs(g-e) > 1e-6*math.Max(1, math.Abs(e)) {
			return at + ": another number"
		}
	default:
		if example != got {
			return at + ": another value"
		}
	}
	return ""
}

// Lists of words stand in the contract once more: they are those of the events
// and of the model.
func TestContractWords(t *testing.T) {
	doc := contract(t)
	enum := func(schema *openapi3.Schema) []string {
		var out []string
		for _, v := range schema.Enum {
			out = append(out, v.(string))
		}
		return out
	}
	schemaOf := func(kind events.Type) map[string]any {
		text, ok := events.Schema(kind)
		if !ok {
			t.Fatal(kind)
		}
		var s map[string]any
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		return s
	}
	review, err := json.Marshal(schemaOf(events.TypeAlarmReviewed))
	if err != nil {
		t.Fatal(err)
	}
	findings, err := json.Marshal(enum(doc.Components.Schemas["Finding"].Value))
	if err != nil {
		t.Fatal(err)
	}
	if list := strings.Trim(string(findings), "[]"); !strings.Contains(string(review), list) {
		t.Errorf("findings %s aren't those of the event: %s", list, review)
	}
	request := doc.Components.Schemas["RiskRequest"].Value.Properties
	preop, err := json.Marshal(schemaOf(events.TypePreopAssessed))
	if err != nil {
		t.Fatal(err)
	}
	names, _ := fieldsOf(reflect.ValueOf(riskRequest{}))
	if want := append([]string{"model", "version"}, measure.Fields()...); !slices.Equal(names, want) {
		t.Errorf("the request has %v, the model %v", names, want)
	}
	for _, name := range names {
		if request[name] == nil {
			t.Errorf("%s isn't in the contract", name)
		}
		if name != "model" && name != "version" && name != "grade" && !strings.Contains(string(preop), `"`+name+`":`) {
			t.Errorf("%s is no field of preop.assessed", name)
		}
	}
	if len(request) != len(names) {
		t.Errorf("the contract has %d fields, the request %d", len(request), len(names))
	}
	if got := enum(request["version"].Value); !slices.Equal(got, []string{published.Version, recalibrated.Version}) {
		t.Errorf("versions %v", got)
	}
}
