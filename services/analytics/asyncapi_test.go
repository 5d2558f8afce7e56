package analytics

import (
	"net/http"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"

	"lensledger/events"
	"lensledger/events/stream"
)

// ref is a reference of the document.
type ref struct {
	Ref string `yaml:"$ref"`
}

// asyncDocument is what the document says that the code says too.
type asyncDocument struct {
	AsyncAPI string `yaml:"asyncapi"`
	Channels map[string]struct {
		Address    string         `yaml:"address"`
		Parameters map[string]any `yaml:"parameters"`
		Stream     struct {
			Name            string   `yaml:"stream"`
			Subjects        []string `yaml:"subjects"`
			MaxMessageBytes int      `yaml:"max_msg_size"`
			DuplicateWindow float64  `yaml:"duplicate_window_seconds"`
		} `yaml:"x-jetstream"`
		Messages map[string]ref `yaml:"messages"`
	} `yaml:"channels"`
	Operations map[string]struct {
		Action  string `yaml:"action"`
		Channel ref    `yaml:"channel"`
	} `yaml:"operations"`
	Components struct {
		Messages map[string]struct {
			Name    string `yaml:"name"`
			Title   string `yaml:"title"`
			Summary string `yaml:"summary"`
			Payload struct {
				SchemaFormat string `yaml:"schemaFormat"`
				Schema       ref    `yaml:"schema"`
			} `yaml:"payload"`
		} `yaml:"messages"`
	} `yaml:"components"`
}

// The document has every event type and no other, each under the schema that is
// served, and the stream as events/stream makes it.
func TestAsyncAPI(t *testing.T) {
	a := calculators(t)
	got := a.call(t, "", "GET", "/asyncapi.yaml", "")
	if got.status != http.StatusOK || got.header.Get("Content-Type") != "application/yaml" {
		t.Fatalf("%d %v", got.status, got.header)
	}
	var doc asyncDocument
	if err := yaml.Unmarshal([]byte(got.body), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.AsyncAPI != "3.0.0" || len(doc.Channels) != 1 || len(doc.Operations) != 2 {
		t.Errorf("version %s, %d channels, %d operations", doc.AsyncAPI, len(doc.Channels), len(doc.Operations))
	}
	for name, o := range doc.Operations {
		if o.Channel.Ref != "#/channels/events" || o.Action != "send" && o.Action != "receive" {
			t.Errorf("%s: %+v", name, o)
		}
	}

	channel := doc.Channels["events"]
	if want := stream.Subject("{source}", "{department}", "{noun}", "{participle}"); channel.Address != want || len(channel.Parameters) != strings.Count(want, "{") {
		t.Errorf("address %s with %d parameters, want %s", channel.Address, len(channel.Parameters), want)
	}
	prefix, _, _ := strings.Cut(stream.Subject("{source}", "", "", ""), "{")
	if s := channel.Stream; s.Name != stream.StreamName || len(s.Subjects) != 1 || s.Subjects[0] != prefix+">" ||
		s.MaxMessageBytes != stream.MaxMessageBytes || s.DuplicateWindow != stream.DuplicateWindow.Seconds() {
		t.Errorf("%+v", s)
	}

	messages := doc.Components.Messages
	for _, e := range events.Catalogue {
		noun, participle, _, _ := e.Type.Parts()
		key := noun + strings.ToUpper(participle[:1]) + participle[1:]
		m, ok := messages[key]
		if !ok {
			t.Errorf("%s isn't in asyncapi.yaml: add %s to the channel's messages and to components", e.Type, key)
			continue
		}
		if m.Name != string(e.Type) || !strings.EqualFold(m.Summary, e.Summary) || m.Title == "" || channel.Messages[key].Ref != "#/components/messages/"+key {
			t.Errorf("%s: %+v, in the channel %+v, summary %q", key, m, channel.Messages[key], e.Summary)
		}
		if m.Payload.Schema.Ref != "/schemas/"+string(e.Type) || m.Payload.SchemaFormat != "application/schema+json;version=2020-12" {
			t.Errorf("%s: payload %+v", key, m.Payload)
		}
		schema := a.call(t, "", "GET", m.Payload.Schema.Ref, "")
		if schema.status != http.StatusOK || !strings.Contains(schema.body, `"const": "`+string(e.Type)+`"`) || !strings.Contains(schema.body, "draft/2020-12") {
			t.Errorf("%s: %d %.200s", m.Payload.Schema.Ref, schema.status, schema.body)
		}
	}
	if len(messages) != len(events.Catalogue) || len(channel.Messages) != len(events.Catalogue) {
		t.Errorf("%d messages, %d in the channel, %d event types", len(messages), len(channel.Messages), len(events.Catalogue))
	}
}
