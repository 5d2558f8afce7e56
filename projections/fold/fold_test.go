package fold

import (
	"reflect"
	"testing"
	"time"

	"lensledger/events"
)

var noon = time.Date(2025, 3, 12, 12, 0, 0, 0, time.UTC)

// Every event type has a place in a fold, or is ignored by name: a new one about a
// case that apply doesn't know is flagged, and this test fails.
func TestEveryTypeHasAPlace(t *testing.T) {
	for _, entry := range events.Catalogue {
		e := events.Event{ID: "e", Source: "s", Type: entry.Type, Subject: "K", Department: "D", Time: noon, Data: reflect.New(entry.Payload).Interface()}
		s := Subject{Code: "K", Events: []Recorded{{Sequence: 1, Event: e}}}
		switch entry.About {
		case events.AboutCase:
			for _, f := range Component([]Subject{s})[0].Flags {
				if f.Code == "misplaced" {
					t.Errorf("%s has no place in the fold of a case", entry.Type)
				}
			}
		case events.AboutSurgeon:
			if f := FoldSurgeon(s); !f.Enrolled && len(f.Moves) == 0 {
				t.Errorf("%s has no place in the fold of a surgeon", entry.Type)
			}
		case events.AboutChart:
			if c := FoldChart(s); c.Designed == nil && len(c.Reviews) == 0 && len(c.Handling) == 0 && len(c.Releases) == 0 {
				t.Errorf("%s has no place in the fold of a chart", entry.Type)
			}
		case events.AboutCorrection:
			if !isCorrection(e) {
				t.Errorf("%s is no correction to Resolve", entry.Type)
			}
		default:
			t.Errorf("%s is about %q", entry.Type, entry.About)
		}
	}
}

func caseOf(steps []Step, changes ...events.OperatorChanged) Case {
	c := Case{Code: "K", Started: &events.CaseStarted{FirstOperator: "T"}, StartedAt: noon, Steps: steps}
	for i, ch := range changes {
		c.Changes = append(c.Changes, Change{ch, noon.Add(time.Duration(10*(i+1)) * time.Minute)})
	}
	return c
}

func step(name events.Step, by string, minute int) Step {
	return Step{Step: name, Operator: by, StartedAt: noon.Add(time.Duration(minute) * time.Minute)}
}

// Who did the whole case, from sculpting through cortex aspiration.
func TestWholeCase(t *testing.T) {
	to := func(step events.Step) events.OperatorChanged {
		return events.OperatorChanged{From: "T", To: "C", Step: step}
	}
	for name, test := range map[string]struct {
		c    Case
		want []string
	}{
		"nothing recorded":                          {caseOf(nil), []string{"T"}},
		"handed over before the core":               {caseOf(nil, to("capsulorhexis")), []string{"C"}},
		"handed over in it":                         {caseOf(nil, to("cracking")), []string{"T", "C"}},
		"handed over after it":                      {caseOf(nil, to("lens-insertion")), []string{"T"}},
		"handed over at an unknown time":            {caseOf(nil, to("")), []string{"T", "C"}},
		"steps say who":                             {caseOf([]Step{step("sculpting", "T", 1), step("cortex-aspiration", "C", 8)}), []string{"T", "C"}},
		"no step named, after the implant began":    {caseOf([]Step{step("sculpting", "T", 1), step("cortex-aspiration", "T", 5), step("lens-insertion", "T", 8)}, to("")), []string{"T"}},
		"no step named, before the core began":      {caseOf([]Step{step("sculpting", "C", 11), step("cortex-aspiration", "C", 15)}, to("")), []string{"C"}},
		"no step named, between two steps of it":    {caseOf([]Step{step("sculpting", "T", 1), step("cortex-aspiration", "C", 15)}, to("")), []string{"T", "C"}},
		"handed over and back within it":            {caseOf(nil, to("cracking"), events.OperatorChanged{From: "C", To: "T", Step: "segment-removal"}), []string{"T", "C"}},
		"taken back before the core, as if nothing": {caseOf(nil, to("side-port"), events.OperatorChanged{From: "C", To: "T", Step: "capsulorhexis"}), []string{"T"}},
	} {
		if got := test.c.CoreOperators(); !reflect.DeepEqual(got, test.want) {
			t.Errorf("%s: %v, want %v", name, got, test.want)
		}
	}
}

// Whose a rupture is when nobody says so.
func TestCauseByDefault(t *testing.T) {
	rupture := func(minute int, by events.Code) Complication {
		return Complication{events.ComplicationRecorded{Kind: events.KindCapsuleRupture, CausedBy: by}, noon.Add(time.Duration(minute) * time.Minute)}
	}
	unplanned := events.OperatorChanged{From: "T", To: "C", Reason: events.ReasonDifficulty}
	planned := events.OperatorChanged{From: "T", To: "C", Planned: events.Yes}
	for name, test := range map[string]struct {
		c    Case
		k    Complication
		want string
	}{
		"as recorded":                           {caseOf(nil, unplanned), rupture(20, "C"), "C"},
		"undetermined as recorded":              {caseOf(nil), rupture(5, events.Undetermined), events.Undetermined},
		"one operator":                          {caseOf(nil), rupture(5, ""), "T"},
		"before an unplanned hand-over":         {caseOf(nil, unplanned), rupture(20, ""), "T"},
		"after a planned hand-over":             {caseOf(nil, planned), rupture(20, ""), "C"},
		"before a planned hand-over":            {caseOf(nil, planned), rupture(5, ""), "T"},
		"noticed in clinic after several hands": {finishedAt(caseOf(nil, planned), 40), rupture(60*24, ""), events.Undetermined},
		"noticed in clinic after one hand":      {finishedAt(caseOf(nil), 40), rupture(60*24, ""), "T"},
	} {
		if got := test.c.CauseOf(test.k); got != test.want {
			t.Errorf("%s: %q, want %q", name, got, test.want)
		}
	}
}

func finishedAt(c Case, minute int) Case {
	c.FinishedAt = noon.Add(time.Duration(minute) * time.Minute)
	return c
}

// The UK national definition: rupture of the posterior capsule with or without
// vitreous prolapse, or zonule rupture with vitreous prolapse.
func TestRuptureDefinition(t *testing.T) {
	for _, test := range []struct {
		kind     events.ComplicationKind
		vitreous events.Vitreous
		want     bool
	}{
		{"posterior-capsule-rupture", "", true},
		{"posterior-capsule-rupture", "none", true},
		{"zonule-rupture", "prolapse", true},
		{"zonule-rupture", "loss", true},
		{"zonule-rupture", "none", false},
		{"zonule-rupture", "", false},
		{"zonular-dialysis", "loss", true},
		{"zonular-dialysis", "none", false},
		{"anterior-tear", "none", false},
		{"dropped-nucleus", "", false},
	} {
		c := caseOf(nil)
		c.Complications = []Complication{{events.ComplicationRecorded{Kind: test.kind, Vitreous: test.vitreous}, noon}}
		if _, got := c.Rupture(); got != test.want {
			t.Errorf("%s with vitreous %q: %v", test.kind, test.vitreous, got)
		}
	}
}

// Two retractions that name each other: the later one stands, so neither order nor
// chance decides.
func TestRetractionsInACircle(t *testing.T) {
	start := events.Event{ID: "a", Source: "s", Type: events.TypeCaseStarted, Subject: "K", Time: noon, Data: &events.CaseStarted{FirstOperator: "T"}}
	retract := func(id, target string, hour int) events.Event {
		return events.Event{ID: id, Source: "s", Type: events.TypeEventRetracted, Subject: "K", Time: noon.Add(time.Duration(hour) * time.Hour),
			Data: &events.EventRetracted{TargetSource: "s", TargetID: events.ID(target)}}
	}
	set := []Recorded{{Sequence: 1, Event: start}, {Sequence: 2, Event: retract("r1", "r2", 1)}, {Sequence: 3, Event: retract("r2", "r1", 2)},
		{Sequence: 4, Event: retract("r3", "a", 0)}}
	if r := Resolve(set); len(r.Events) != 0 || r.Retracted != 1 {
		t.Errorf("%+v: r3 retracts a, r1 and r2 name only each other", r)
	}
	set = append(set, Recorded{Sequence: 5, Event: retract("r4", "r3", 3)})
	if r := Resolve(set); len(r.Events) != 1 {
		t.Errorf("%+v: r4 takes r3 back, so a stands", r)
	}
}
