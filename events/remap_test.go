package events

import "testing"

// Only the named words change: numbers stay as they were sent, and a pointer reads
// by RFC 6901.
func TestRemap(t *testing.T) {
	structured := `{"specversion":"1.0","id":"x","data":{"kind":"pc-tear","power_d":2.50,"list":[{"a/b":"old"},"pc-tear"]}}`
	for _, c := range []struct {
		name, body, want string
		header           Header
		mappings         []Mapping
		fault            string // pointer of the problem
	}{
		{name: "structured", body: structured, mappings: []Mapping{{"/data/kind", "pc-tear", "posterior-capsule-rupture"}, {"/data/list/0/a~1b", "old", "new"}, {"/data/list/1", "pc-tear", "x"}},
			want: `{"data":{"kind":"posterior-capsule-rupture","list":[{"a/b":"new"},"x"],"power_d":2.50},"id":"x","specversion":"1.0"}`},
		{name: "binary", header: Header{"ce-specversion": {"1.0"}}, body: `{"kind":"pc-tear"}`, mappings: []Mapping{{"/data/kind", "pc-tear", "y"}}, want: `{"kind":"y"}`},
		{name: "another value", body: structured, mappings: []Mapping{{"/data/kind", "other", "y"}}, fault: "/data/kind"},
		{name: "no text", body: structured, mappings: []Mapping{{"/data/power_d", "2.50", "y"}}, fault: "/data/power_d"},
		{name: "nothing there", body: structured, mappings: []Mapping{{"/data/list/7", "x", "y"}}, fault: "/data/list/7"},
		{name: "outside the data", body: structured, mappings: []Mapping{{"/id", "x", "y"}}, fault: "/id"},
		{name: "not JSON", body: `{"half`, mappings: []Mapping{{"/data/kind", "x", "y"}}, fault: ""},
		{name: "two values", body: `{} {}`, mappings: []Mapping{{"/data/kind", "x", "y"}}, fault: ""},
	} {
		got, problems := Remap(c.header, []byte(c.body), c.mappings)
		if c.want == "" {
			if len(problems) != 1 || problems[0].Pointer != c.fault || problems[0].Code != CodeMapping || got != nil {
				t.Errorf("%s: %q, %+v", c.name, got, problems)
			}
		} else if string(got) != c.want || problems != nil {
			t.Errorf("%s: %s, %+v\nwant %s", c.name, got, problems, c.want)
		}
	}
}
