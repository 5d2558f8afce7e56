package analytics

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"lensledger/projections/alarm"
	"lensledger/projections/measure"
	"lensledger/services/web"
)

// What was worked out once is given again, up to a bound, the oldest forgotten.
func TestDesignsAreRemembered(t *testing.T) {
	d := newDesigns()
	of := func(i int) measure.DesignRequest {
		return measure.DesignRequest{Acceptable: 0.2, OddsRatio: 2, Threshold: 1 + float64(i)/1000}
	}
	first, err := d.get(t.Context(), of(0))
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= designsKept; i++ {
		if _, err := d.get(t.Context(), of(i)); err != nil {
			t.Fatal(err)
		}
		if i == 10 {
			// Used again, so the second is the oldest now.
			if again, err := d.get(t.Context(), of(0)); err != nil || &again.InControl.AlarmWithin[0] != &first.InControl.AlarmWithin[0] {
				t.Error("worked out twice")
			}
		}
	}
	if len(d.known) != designsKept || d.latest.Len() != designsKept {
		t.Errorf("%d and %d kept", len(d.known), d.latest.Len())
	}
	if again, err := d.get(t.Context(), of(0)); err != nil || &again.InControl.AlarmWithin[0] != &first.InControl.AlarmWithin[0] {
		t.Error("what was used was forgotten")
	}
}

// With all slots taken, nobody waits for ever, and what is known is still given.
func TestDesignsAreBounded(t *testing.T) {
	d := newDesigns()
	known := measure.DesignRequest{Acceptable: 0.2, OddsRatio: 2, Threshold: 1}
	if _, err := d.get(t.Context(), known); err != nil {
		t.Fatal(err)
	}
	for range designsAtATime {
		d.slots <- struct{}{}
	}
	if _, err := d.get(t.Context(), known); err != nil {
		t.Error(err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := d.get(gone, measure.DesignRequest{Acceptable: 0.2, OddsRatio: 3, Threshold: 1}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	_, err := d.get(t.Context(), measure.DesignRequest{Acceptable: 0.2, OddsRatio: 3, Threshold: 1})
	if web.Status(err) != 503 {
		t.Error(err)
	}
}

// A design at the edge of what an event allows has no run length; its chart is
// shown all the same.
func TestRunLengthsUnknown(t *testing.T) {
	for _, d := range []alarm.Design{
		{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 50},
		{Kind: "detection", Acceptable: 0.02, Unacceptable: 0.0201, Threshold: 3},
	} {
		c := chartOf(alarm.Chart{Design: d}, nil)
		if c.Design.InControl != nil || c.CannotSee == "" || c.CanTell != nil {
			t.Errorf("%+v", c)
		}
	}
	closing := alarm.Design{Kind: "competence", Acceptable: 0.05, Unacceptable: 0.1, Threshold: 2.42, ClosesAfter: 123}
	if got := closing.Lengths(); !got.Known || got.Within != 123 || got.FalseWithin == 0 {
		t.Errorf("%+v", got)
	}
}

// Every kind of chart is reached by the body that the contract names, and
// answers in the contract's shape.
func TestDesignKinds(t *testing.T) {
	a := calculators(t)
	schema := contract(t).Components.Schemas
	for _, c := range []struct{ body, want string }{
		{`{"acceptable":0.05,"odds_ratio":0.5,"direction":"down","run_length":500}`, ""},
		{`{"acceptable":0.05,"unacceptable":0.02,"direction":"down","threshold":2,"head_start":1}`, ""},
		{`{"acceptable":0.05,"odds_ratio":2,"kind":"competence","threshold":2,"head_start":0,"steady_state":false}`, ""},
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"alarm_within":[7,70],"steady_state":true}`, "steady_state"},
		{`{"acceptable":0.05,"unacceptable":0.1,"kind":"boundary","alpha":0.1,"beta":0.1}`, "boundary"},
		{`{"risks":[0.01,0.2,0.05,0.1],"odds_ratio":2,"threshold":1}`, "list"},
		{`{"risks":[0.01,0.2,0.05,0.1],"odds_ratio":2,"false_alarm_chance":0.1,"kind":"competence"}`, "list"},
		{`{"case_mix":[{"risk":0.01,"share":0.5},{"risk":0.05,"share":0.5}],"odds_ratio":2,"threshold":2,"steady_state":true,"direction":"up"}`, "steady_state"},
	} {
		var sent, got map[string]any
		if err := json.Unmarshal([]byte(c.body), &sent); err != nil {
			t.Fatal(err)
		}
		if err := schema["DesignRequest"].Value.VisitJSON(sent); err != nil {
			t.Errorf("%s isn't in the contract: %v", c.body, err)
		}
		answer := a.call(t, "trainee", "POST", "/v1/designs", c.body)
		answer.into(t, &got)
		if answer.status != 200 || (c.want != "" && got[c.want] == nil) {
			t.Errorf("%s: %d %s", c.body, answer.status, answer.body)
			continue
		}
		if err := schema["Design"].Value.VisitJSON(got); err != nil {
			t.Errorf("%s: %v", c.body, err)
		}
	}
	for _, c := range []struct{ body, pointer, detail string }{
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"head_start":2}`, "/head_start", "0 up to the threshold = 2"},
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"direction":"down"}`, "/odds_ratio", "0.001 to 0.9523"},
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"direction":""}`, "/direction", "up or down"},
		{`{"acceptable":0.05,"odds_ratio":2,"kind":"boundary","beta":0.1}`, "/alpha", "to less than 1"},
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"alpha":0.1}`, "/alpha", "nothing unless kind is boundary"},
		{`{"risks":[],"odds_ratio":2,"threshold":2}`, "/risks", "at least one risk"},
		{`{"risks":[0.1,1],"odds_ratio":2,"threshold":2}`, "/risks", "item 2 of risks"},
		{`{"risks":[0.1],"odds_ratio":2,"threshold":2,"within_cases":2}`, "/within_cases", "number of risks = 1"},
		{`{"acceptable":0.05,"odds_ratio":2,"threshold":2,"alarm_within":[0]}`, "/alarm_within", "1 to 10000"},
	} {
		p := a.call(t, "trainee", "POST", "/v1/designs", c.body).problem(t, 422, "refused")
		if len(p.Errors) != 1 || p.Errors[0].Pointer != c.pointer || !strings.Contains(p.Errors[0].Detail, c.detail) {
			t.Errorf("%s: %+v", c.body, p.Errors)
		}
	}
}
