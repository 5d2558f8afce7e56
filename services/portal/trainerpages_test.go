package portal

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// trainerPages adds the pages of a recording, of advice and of planned eyes.
func trainerPages(t *testing.T, s *Service, add func(name, page string, view any)) {
	t.Helper()
	framed := func(a access.Actor, title string) frame { return s.frame(t.Context(), a, title, &fixedAt) }
	known := knownPoints(stageOf(t, followed(), othersStub()), nil)
	empty := recordingWords(markable(), "S-002", newRecordingForm(fixedNow, testForm), known)
	empty.frame = framed(trainer, "What does the recording of this case show?")
	add("recording", "recording", empty)
	sent := &recordingForm{}
	sent.fill(url.Values{"form": {testForm}, "opened_at": {"2025-06-02T08:00:00Z"}, "recording_length": {"21:40"},
		"known_offset": {"1:00", ""}, "known_clock": {"10:06:00", ""},
		"step": {"capsulorhexis", "sculpting"}, "step_start": {"2:30.5", "5:00"}, "step_end": {"x", ""},
		"point": {"<b>"}, "point_polarity": {"strength"}, "point_at": {"3:00"}, "point_step": {"capsulorhexis"}, "point_consequence": {""}})
	_, problems := sent.check(markable(), recordedSteps(markable(), testForm), fixedNow)
	sent.grow()
	wrong := recordingWords(markable(), "S-002", sent, known)
	wrong.frame, wrong.Problems, wrong.Kept = framed(trainer, "What does the recording of this case show?"), problems, true
	add("recording-not-stored", "recording", wrong)

	offset := int64(725_300)
	point := notes()[1]
	point.RecordingOffsetMS = &offset
	for name, v := range map[string]adviceView{"advice-none": adviceWords(nil, false),
		"advice": adviceWords([]feedback.Received{{CaseCode: caseName(12), StartedAt: fixedNow, LastSaid: fixedNow, Reviews: caseReviews(), Points: []feedback.Point{point}},
			{CaseCode: caseName(2), StartedAt: fixedNow, LastSaid: fixedNow, Points: notes()[:1]}}, true)} {
		v.frame = framed(trainee, "What was I told about my cases?")
		add(name, "advice", v)
	}

	for name, v := range map[string]plannedView{"planned": plannedWords(planned(), fixedNow), "planned-none": plannedWords(nil, time.Time{})} {
		v.frame = framed(trainer, "Which eyes are booked, and what is known of their risk?")
		add(name, "planned", v)
	}
}

const testForm = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// markable is a case whose sculpting theatre recorded, from 10:05 to 10:40.
func markable() fold.Case {
	c := followed().Case
	c.Steps = c.Steps[1:]
	c.Timeline = []fold.Effective{{Event: events.Event{ID: "x", Source: "ehr-harbour", Type: events.TypeStepStarted, Data: &events.StepStarted{Step: events.StepSculpting}}}}
	return c
}

// planned are three booked eyes: one beside others, one of a surgeon who isn't the
// reader's to see, and one of which nothing is assessed.
func planned() []feedback.Planned {
	band := learning.Band{First: 26, Last: 50}
	booked := func(code string, p *events.PreopAssessed) outcome.Planned {
		return outcome.Planned{Case: fold.Case{Code: code, Booked: &events.CaseBooked{}, Preop: p}, PlannedOn: fixedNow, Risk: outcome.Expected(p)}
	}
	eye := &events.PreopAssessed{AgeYears: events.Some(int64(83)), Pupil: events.PupilSmall, Pseudoexfoliation: events.Yes, Glaucoma: events.No, CanLieFlat: events.No}
	return []feedback.Planned{
		{Planned: booked("HB-2025-00600", eye), Surgeon: "S-014", Supervised: true, CaseNumber: 33, CaseMix: feedback.CaseMix{Risk: 0.031, OddsRatio: 3.2, Unknown: []string{"axial_length_um"},
			Own: &feedback.Own{N: 19, Lower: 0.009, Median: 0.011, Upper: 0.018}, Compared: feedback.Above,
			Others: &feedback.Band{Band: band, Others: 6, N: 90, Lower: 0.8, Median: 1, Upper: 1.4}, Beside: feedback.Above}},
		{Planned: booked("HB-2025-00601", nil), Surgeon: "S-060", CaseMix: feedback.CaseMix{Risk: 0.01, OddsRatio: 1}},
		{Planned: booked("HB-2025-00602", &events.PreopAssessed{}), Surgeon: "S-014", Supervised: true, CaseNumber: 460, CaseMix: feedback.CaseMix{Risk: 0.01, OddsRatio: 1}},
	}
}

// One known moment gives the start, two the pace, and more the pieces around a cut.
// Expected values were worked out by hand.
func TestTheatreClock(t *testing.T) {
	ten := time.Date(2025, 3, 12, 10, 0, 0, 0, time.UTC)
	at := func(minute, second int) time.Duration {
		return time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
	}
	for name, c := range map[string]struct {
		known []knownMoment
		want  map[time.Duration]string // place: time
	}{
		"the operation's pace": {[]knownMoment{{at(1, 0), ten}}, map[time.Duration]string{0: "09:59:00.000", at(5, 30): "10:04:30.000"}},
		// Four times as fast: 10 min of file are 40 of the operation.
		"sped up": {[]knownMoment{{at(10, 0), ten.Add(at(40, 0))}, {0, ten}}, map[time.Duration]string{at(2, 30): "10:10:00.000", at(11, 0): "10:44:00.000", 250 * time.Millisecond: "10:00:01.000"}},
		// Cut at 5:00, where 20 minutes are missing; each side runs at the operation's pace.
		"cut": {[]knownMoment{{0, ten}, {at(5, 0), ten.Add(at(5, 0))}, {at(5, 1), ten.Add(at(25, 1))}, {at(9, 1), ten.Add(at(29, 1))}},
			map[time.Duration]string{at(3, 0): "10:03:00.000", at(6, 0): "10:26:00.000", at(10, 0): "10:30:00.000"}},
	} {
		clock, wrong := newTheatreClock(c.known)
		if wrong != "" {
			t.Errorf("%s: %s", name, wrong)
			continue
		}
		for place, want := range c.want {
			if got := clock.at(place).Format("15:04:05.000"); got != want {
				t.Errorf("%s: %s is %s, want %s", name, place, got, want)
			}
		}
	}
	for name, known := range map[string][]knownMoment{
		"twice":     {{at(1, 0), ten}, {at(1, 0), ten.Add(time.Minute)}},
		"backwards": {{at(1, 0), ten}, {at(2, 0), ten.Add(-time.Minute)}},
		"standing":  {{at(1, 0), ten}, {at(2, 0), ten}},
	} {
		if _, wrong := newTheatreClock(known); wrong == "" {
			t.Errorf("%s: taken", name)
		}
	}
}

func TestPlaces(t *testing.T) {
	for text, want := range map[string]string{"0:00": "0s", "1:05.3": "1m5.3s", "90:00": "1h30m0s", "1:02:05": "1h2m5s", "2:03,25": "2m3.25s", "24:00:00": "24h0m0s"} {
		if d, ok := parseOffset(text); !ok || d.String() != want {
			t.Errorf("%s: %s, %v", text, d, ok)
		}
	}
	for _, text := range []string{"", "45", "1:60", "1:62:05", "-1:00", "24:00:01", "1:5", "a:bc", "1:00:00:00", "999999:00"} {
		if d, ok := parseOffset(text); ok {
			t.Errorf("%q is %s", text, d)
		}
	}
	started := time.Date(2025, 3, 12, 23, 40, 0, 0, time.FixedZone("", 3600))
	for text, want := range map[string]string{"23:45": "2025-03-12T23:45:00+01:00", "00:10:05": "2025-03-13T00:10:05+01:00"} {
		if at, ok := parseClock(text, started); !ok || at.Format(time.RFC3339) != want {
			t.Errorf("%s: %s", text, at)
		}
	}
	for _, text := range []string{"", "24:00", "10:60", "10", "10:00:61"} {
		if at, ok := parseClock(text, started); ok {
			t.Errorf("%q is %s", text, at)
		}
	}
}

// What a form of marks becomes: events that the catalogue takes, the same for the
// same form; steps at the theatre's time, and points at the time they were said.
func TestMarkEvents(t *testing.T) {
	form := &recordingForm{}
	form.fill(url.Values{"form": {testForm}, "opened_at": {"2025-06-02T08:00:00Z"}, "recording_length": {""},
		"known_offset": {"0:00", "5:00"}, "known_clock": {"10:05:00", "10:25:00"}, // four times as fast
		"step": {"capsulorhexis", "", "cracking"}, "step_start": {"1:00", "", "3:00"}, "step_end": {"2:00", "", ""},
		"point": {"rhexis-runs-out", "", "steady-hands"}, "point_polarity": {"improve", "improve", "strength"}, "point_at": {"1:30.5", "", ""},
		"point_step": {"capsulorhexis", "", ""}, "point_consequence": {"capsule", "", ""}})
	said, problems := form.check(markable(), recordedSteps(markable(), testForm), fixedNow)
	if len(problems) > 0 {
		t.Fatalf("%+v", problems)
	}
	row := outcome.Row{CaseCode: "HB-2025-00418", Department: "HARBOUR"}
	es := markEvents(trainer, row, testForm, said)
	var got []string
	for _, e := range es {
		if _, problems := events.Decode(events.Header{"content-type": {events.ContentTypeEvent}}, e.Encode()); len(problems) > 0 {
			t.Errorf("%s: %+v", e.Type, problems)
		}
		got = append(got, strings.TrimPrefix(string(e.Type), "lensledger.")+" "+e.Time.Format("02 15:04:05 -0700"))
	}
	want := []string{"step.started.v1 12 10:09:00 +0100", "step.finished.v1 12 10:13:00 +0100", "step.started.v1 12 10:17:00 +0100",
		"technique.noted.v1 02 08:00:00 +0000", "technique.noted.v1 02 08:00:00 +0000"}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got %q\nwant %q", got, want)
	}
	if n := es[3].Data.(*events.TechniqueNoted); n.RecordingOffsetMS != events.Some(int64(90_500)) || n.By != "S-002" || n.Step != events.StepCapsulorhexis {
		t.Errorf("%+v", n)
	}
	for i, again := range markEvents(trainer, row, testForm, said) {
		if again.ID != es[i].ID || !strings.HasPrefix(again.ID, markPrefix(testForm)) {
			t.Errorf("%s, then %s", es[i].ID, again.ID)
		}
	}
	// Sent again once it was read in: its own steps don't stand in its way.
	c := markable()
	c.Timeline = append(c.Timeline, fold.Effective{Event: es[0]})
	if steps := recordedSteps(c, testForm); len(steps) != 1 || steps[0] != events.StepSculpting {
		t.Errorf("%v", steps)
	}
	if steps := recordedSteps(c, "ANOTHERFORM"); len(steps) != 2 {
		t.Errorf("of another form: %v", steps)
	}
}

// Each fault is told where it is, and nothing that was typed is lost.
func TestMarksThatArentTaken(t *testing.T) {
	good := func() url.Values {
		return url.Values{"form": {testForm}, "opened_at": {"2025-06-02T08:00:00Z"}, "recording_length": {"20:00"}, "known_offset": {"0:00"}, "known_clock": {"10:05"},
			"step": {"capsulorhexis"}, "step_start": {"1:00"}, "step_end": {"2:00"}, "point": {"steady"}, "point_polarity": {"strength"}, "point_at": {"1:00"}, "point_step": {""}, "point_consequence": {""}}
	}
	for name, c := range map[string]struct {
		change map[string]string
		field  string
		says   string
	}{
		"a step of theatre's":   {map[string]string{"step": "sculpting"}, "step-1", "count it twice"},
		"no step chosen":        {map[string]string{"step": ""}, "step-1", "choose the step"},
		"a step that isn't one": {map[string]string{"step": "dancing"}, "step-1", "isn't one of the steps"},
		"no place":              {map[string]string{"step_start": "", "step_end": ""}, "step-1-start", "say where"},
		"an unreadable place":   {map[string]string{"step_end": "two"}, "step-1-end", "isn't a place"},
		"behind the end":        {map[string]string{"step_end": "20:01"}, "step-1-end", "behind the end"},
		"ends before it starts": {map[string]string{"step_end": "0:59"}, "step-1-end", "before it starts"},
		"no known moment":       {map[string]string{"known_offset": "", "known_clock": ""}, "known-1-offset", "need one moment"},
		"half a known moment":   {map[string]string{"known_clock": ""}, "known-1-clock", "give the time"},
		"the other half":        {map[string]string{"known_offset": ""}, "known-1-offset", "say where it lies"},
		"another day's clock":   {map[string]string{"known_clock": "16:05"}, "step-1-start", "more than an hour away"},
		"no code":               {map[string]string{"point": ""}, "point-1", "give its code"},
		"no word for a code":    {map[string]string{"point": "a b"}, "point-1", "isn't a code"},
		"no polarity":           {map[string]string{"point_polarity": "so-so"}, "point-1-polarity", "went well"},
		"an unreadable length":  {map[string]string{"recording_length": "long"}, "recording-length", "minutes and seconds"},
		"an old form":           {map[string]string{"opened_at": "2025-06-01T08:00:00Z"}, "send", "open for too long"},
	} {
		sent := good()
		for k, v := range c.change {
			sent.Set(k, v)
		}
		form := &recordingForm{}
		form.fill(sent)
		_, problems := form.check(markable(), recordedSteps(markable(), testForm), fixedNow)
		if len(problems) == 0 || problems[0].Field != c.field || !strings.Contains(problems[0].Words, c.says) {
			t.Errorf("%s: %+v", name, problems)
		}
	}
	form := &recordingForm{}
	form.fill(good())
	if _, problems := form.check(markable(), nil, fixedNow); len(problems) != 0 {
		t.Errorf("the good one: %+v", problems)
	}
	none := &recordingForm{ID: testForm, OpenedAt: "2025-06-02T08:00:00Z"}
	if _, problems := none.check(markable(), nil, fixedNow); len(problems) != 1 || !strings.Contains(problems[0].Words, "Nothing is marked") {
		t.Errorf("%+v", problems)
	}
}
