package fold

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"lensledger/events"
)

// dated is a payload on a day after the operation, at noon.
type dated struct {
	day  int
	data any
}

var typeOf = func() map[reflect.Type]events.Type {
	m := map[reflect.Type]events.Type{}
	for _, e := range events.Catalogue {
		m[reflect.PointerTo(e.Payload)] = e.Type
	}
	return m
}()

// eye is a case whose operation began at noon of day 0, unless a start is given.
func eye(list ...dated) Subject {
	s := Subject{Code: "K"}
	add := func(at time.Time, data any) {
		id := fmt.Sprintf("e%03d", len(s.Events))
		s.Events = append(s.Events, Recorded{Sequence: uint64(len(s.Events) + 1), Event: events.Event{ID: id, Source: "ehr",
			Type: typeOf[reflect.TypeOf(data)], Subject: "K", Department: "D", Time: at, Data: data}})
	}
	if !slices.ContainsFunc(list, func(d dated) bool { _, ok := d.data.(*events.CaseStarted); return ok }) {
		add(noon, &events.CaseStarted{FirstOperator: "T"})
	}
	for _, d := range list {
		add(noon.AddDate(0, 0, d.day), d.data)
	}
	return s
}

func folded(list ...dated) Case { return Component([]Subject{eye(list...)})[0] }

func acuity(correction events.Correction, hundredths int64) events.Acuity {
	return events.Acuity{Correction: correction, LogMARHundredths: events.Some(hundredths)}
}

func word(correction events.Correction, w events.LowVision, convention events.Convention) events.Acuity {
	return events.Acuity{Correction: correction, LowVision: w, Convention: convention}
}

func assessed(list ...events.Acuity) *events.PreopAssessed {
	return &events.PreopAssessed{Acuity: list}
}

func seen(list ...events.Acuity) *events.FollowupAcuity { return &events.FollowupAcuity{Acuity: list} }

func hasFlag(c Case, code string) bool {
	return slices.ContainsFunc(c.Flags, func(f Flag) bool { return f.Code == code })
}

// After: best of the three at the last visit in days 14 to 180. Before: the better
// of corrected and unaided, pinhole only if neither, at the latest assessment
// within six months. Source of which of the three: Sparrow JM, Taylor H, Qureshi
// K, et al. Eye 2012;26:821-826. Windows: common practice, no source.
func TestAcuityThatCounts(t *testing.T) {
	const unaided, corrected, pinhole = "unaided", "corrected", "pinhole"
	for name, test := range map[string]struct {
		list   []dated
		before any // hundredths, a word, or nil
		after  any
	}{
		"nothing":                             {nil, nil, nil},
		"day 13 is too early":                 {[]dated{{13, seen(acuity(corrected, 10))}}, nil, nil},
		"day 14 counts":                       {[]dated{{14, seen(acuity(corrected, 10))}}, nil, int64(10)},
		"day 180 counts":                      {[]dated{{180, seen(acuity(corrected, 10))}}, nil, int64(10)},
		"day 181 is too late":                 {[]dated{{181, seen(acuity(corrected, 10))}}, nil, nil},
		"the last visit, though it is worse":  {[]dated{{20, seen(acuity(corrected, 0))}, {60, seen(acuity(corrected, 20))}}, nil, int64(20)},
		"the last visit inside the window":    {[]dated{{60, seen(acuity(corrected, 20))}, {190, seen(acuity(corrected, 0))}}, nil, int64(20)},
		"the best of three":                   {[]dated{{30, seen(acuity(unaided, 30), acuity(corrected, 12), acuity(pinhole, 8))}}, nil, int64(8)},
		"two messages of one day are a visit": {[]dated{{30, seen(acuity(corrected, 12))}, {30, seen(acuity(unaided, 30))}}, nil, int64(12)},
		"a number before any word":            {[]dated{{30, seen(word(corrected, "counting-fingers", "A"), acuity(unaided, 170))}}, nil, int64(170)},
		"words are categories":                {[]dated{{30, seen(word(corrected, "hand-movements", "A"), word(unaided, "counting-fingers", "B"))}}, nil, "counting-fingers"},

		"before, the better of two":           {[]dated{{-5, assessed(acuity(unaided, 60), acuity(corrected, 40))}}, int64(40), nil},
		"before, unaided may be the better":   {[]dated{{-5, assessed(acuity(unaided, 30), acuity(corrected, 40))}}, int64(30), nil},
		"before, no pinhole beside another":   {[]dated{{-5, assessed(acuity(unaided, 60), acuity(pinhole, 20))}}, int64(60), nil},
		"before, a pinhole alone":             {[]dated{{-5, assessed(acuity(pinhole, 20))}}, int64(20), nil},
		"before, the latest":                  {[]dated{{-50, assessed(acuity(corrected, 30))}, {-5, assessed(acuity(corrected, 50))}}, int64(50), nil},
		"before, the latest with an acuity":   {[]dated{{-50, assessed(acuity(corrected, 30))}, {-5, assessed()}}, int64(30), nil},
		"before, after the start is too late": {[]dated{{1, assessed(acuity(corrected, 30))}}, nil, nil},
		// The operation is on 12 March 2025; 12 September 2024 is 181 days before it.
		"before, six months": {[]dated{{-181, assessed(acuity(corrected, 30))}}, int64(30), nil},
		"before, a day more": {[]dated{{-182, assessed(acuity(corrected, 30))}}, nil, nil},
	} {
		c := folded(test.list...)
		for _, side := range []struct {
			which string
			want  any
			get   func() (SeenAcuity, bool)
		}{{"before", test.before, c.AcuityBefore}, {"after", test.after, c.AcuityAfter}} {
			var got any
			if a, ok := side.get(); ok {
				if got = any(a.LogMARHundredths.Value); !a.LogMARHundredths.Known {
					got = string(a.LowVision)
				}
			}
			if got != side.want {
				t.Errorf("%s: acuity %s is %v, want %v", name, side.which, got, side.want)
			}
		}
	}
}

// Days are counted by the local calendar at each event's own offset: half past
// midnight on 26 March two hours east is day 14, while it is still the 25th at
// Greenwich.
func TestDaysAreLocal(t *testing.T) {
	c := folded()
	at := time.Date(2025, 3, 26, 0, 30, 0, 0, time.FixedZone("", 2*3600))
	if d := c.DaysAfter(at); d != 14 {
		t.Errorf("day %d, want 14", d)
	}
	if d := c.DaysAfter(at.UTC()); d != 13 {
		t.Errorf("day %d, want 13", d)
	}
}

func TestSixMonthsBefore(t *testing.T) {
	for day, want := range map[string]string{"2025-03-12": "2024-09-12", "2025-08-31": "2025-02-28", "2024-08-31": "2024-02-29", "2025-01-01": "2024-07-01"} {
		d, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		if got := sixMonthsBefore(d).Format(time.DateOnly); got != want {
			t.Errorf("six months before %s is %s, want %s", day, got, want)
		}
	}
}

func refraction(sphere events.Hundredths, method events.RefractionMethod) *events.FollowupRefraction {
	return &events.FollowupRefraction{Refraction: events.Refraction{SphereD: sphere, Method: method}}
}

// Subjective, days 28 to 120, the last, ended by the next procedure in the eye.
// Four weeks: Gale RP et al. Eye 2009;23:149-152; the end is common practice.
func TestRefractionThatCounts(t *testing.T) {
	back := &events.FollowupFinding{Kind: events.FindingReturnToTheatre}
	for name, test := range map[string]struct {
		list   []dated
		sphere events.Hundredths
		reason string
	}{
		"nothing":                     {nil, 0, NoRefraction},
		"day 27":                      {[]dated{{27, refraction(-50, "subjective")}}, 0, NoRefraction},
		"day 28":                      {[]dated{{28, refraction(-50, "subjective")}}, -50, ""},
		"day 120":                     {[]dated{{120, refraction(-50, "subjective")}}, -50, ""},
		"day 121":                     {[]dated{{121, refraction(-50, "subjective")}}, 0, NoRefraction},
		"the last":                    {[]dated{{30, refraction(-50, "subjective")}, {60, refraction(-25, "subjective")}}, -25, ""},
		"a method not stated counts":  {[]dated{{30, refraction(-50, "")}}, -50, ""},
		"by machine alone":            {[]dated{{30, refraction(-50, "autorefraction")}, {31, refraction(-50, "retinoscopy")}}, 0, OnlyObjective},
		"a later one by machine":      {[]dated{{30, refraction(-50, "subjective")}, {60, refraction(-25, "autorefraction")}}, -50, ""},
		"after a return to theatre":   {[]dated{{20, back}, {40, refraction(-50, "subjective")}}, 0, AfterOtherProcedure},
		"on the day of a return":      {[]dated{{40, back}, {40, refraction(-50, "subjective")}}, 0, AfterOtherProcedure},
		"before a return to theatre":  {[]dated{{30, refraction(-50, "subjective")}, {40, back}, {60, refraction(-25, "subjective")}}, -50, ""},
		"after another implant":       {[]dated{{0, &events.LensImplanted{LensModel: "A"}}, {20, &events.LensImplanted{LensModel: "B"}}, {40, refraction(0, "subjective")}}, 0, AfterOtherProcedure},
		"the implant of the same day": {[]dated{{0, &events.LensImplanted{LensModel: "A"}}, {0, &events.LensImplanted{LensModel: "B"}}, {40, refraction(-75, "subjective")}}, -75, ""},
	} {
		v, reason := folded(test.list...).RefractionAfter()
		if reason != test.reason || v.Refraction.SphereD != test.sphere {
			t.Errorf("%s: %v %q, want %v %q", name, v.Refraction.SphereD, reason, test.sphere, test.reason)
		}
	}
}

func candidate(model events.Text, power, cylinder, predicted events.Hundredths) events.LensCandidate {
	c := events.LensCandidate{LensModel: model, PowerD: power, PredictedRefractionD: events.Some(predicted)}
	if cylinder != 0 {
		c.CylinderD = events.Some(cylinder)
	}
	return c
}

// The prediction is the one for the implant in the eye, never another candidate's
// and never the target: Hoffer KJ et al. Am J Ophthalmol 2015;160:403-405
// (citation from memory).
func TestPredictionForTheImplant(t *testing.T) {
	plan := &events.LensPlanned{TargetRefractionD: events.Some(events.Hundredths(-25)), Candidates: []events.LensCandidate{
		candidate("A", 2100, 0, -12), candidate("A", 2150, 0, -48), candidate("B", 2100, 0, 30), candidate("A", 2150, 150, -40)}}
	lens := func(model events.Text, power, cylinder events.Hundredths) *events.LensImplanted {
		l := &events.LensImplanted{LensModel: model, PowerD: events.Some(power)}
		if cylinder != 0 {
			l.CylinderD = events.Some(cylinder)
		}
		return l
	}
	for name, test := range map[string]struct {
		list   []dated
		want   events.Hundredths
		reason string
	}{
		"model and power":         {[]dated{{-3, plan}, {0, lens("A", 2150, 0)}}, -48, ""},
		"another model":           {[]dated{{-3, plan}, {0, lens("B", 2100, 0)}}, 30, ""},
		"a toric one":             {[]dated{{-3, plan}, {0, lens("A", 2150, 150)}}, -40, ""},
		"a toric one not planned": {[]dated{{-3, plan}, {0, lens("A", 2150, 225)}}, 0, NoPredictionForLens},
		"another power":           {[]dated{{-3, plan}, {0, lens("A", 2200, 0)}}, 0, NoPredictionForLens},
		"no model":                {[]dated{{-3, plan}, {0, lens("", 2100, 0)}}, 0, ImplantUnknown},
		"no plan":                 {[]dated{{0, lens("A", 2150, 0)}}, 0, NoPlan},
		"no implant":              {[]dated{{-3, plan}}, 0, NoImplant},
	} {
		c := folded(test.list...)
		got, reason := c.Prediction()
		if reason != test.reason || got.PredictedRefractionD.Value != test.want {
			t.Errorf("%s: %v %q, want %v %q", name, got.PredictedRefractionD.Value, reason, test.want, test.reason)
		}
		if hasFlag(c, "implant-without-prediction") != (test.reason == NoPredictionForLens) {
			t.Errorf("%s: flags %v", name, c.Flags)
		}
	}
	// The plan of before the start stands, however late another one comes.
	c := folded(dated{-3, plan}, dated{1, &events.LensPlanned{Formula: "late"}}, dated{0, lens("A", 2150, 0)})
	if _, reason := c.Prediction(); reason != "" || !hasFlag(c, "lens-planned-after-start") || c.PlannedLate {
		t.Errorf("a later plan replaced the earlier one: %q %v", reason, c.Flags)
	}
	if c = folded(dated{1, plan}, dated{0, lens("A", 2150, 0)}); !c.PlannedLate || !hasFlag(c, "lens-planned-after-start") {
		t.Errorf("a plan after the start: late %v, flags %v", c.PlannedLate, c.Flags)
	}
}

// Early corneal power is healing, settled is outcome, and what lies between is
// neither.
func TestKeratometryThatCounts(t *testing.T) {
	k := func(k1 events.Hundredths) *events.FollowupKeratometry {
		return &events.FollowupKeratometry{Keratometry: events.Keratometry{K1D: k1, K2D: 4400}}
	}
	for day, want := range map[int][2]bool{1: {true, false}, 14: {true, false}, 15: {}, 27: {}, 28: {false, true}, 120: {false, true}, 121: {}} {
		c := folded(dated{day, k(4300)})
		if got := [2]bool{c.KeratometryEarly() != nil, c.KeratometrySettled() != nil}; got != want {
			t.Errorf("day %d: early and settled %v, want %v", day, got, want)
		}
	}
	c := folded(dated{30, k(4300)}, dated{60, k(4350)})
	if got := c.KeratometrySettled(); got == nil || got.K1D != 4350 {
		t.Errorf("settled %v, want the last", got)
	}
}

// Corneal oedema before day 28 is healing; an infection counts within 42 days.
func TestFindings(t *testing.T) {
	found := func(kind events.FindingKind, certainty events.Certainty) *events.FollowupFinding {
		return &events.FollowupFinding{Kind: kind, Certainty: certainty}
	}
	for day, want := range map[int]string{27: "early-corneal-oedema", 28: "corneal-oedema"} {
		if got := folded(dated{day, found("corneal-oedema", "")}).FindingKinds(); !reflect.DeepEqual(got, []string{want}) {
			t.Errorf("corneal oedema on day %d: %v", day, got)
		}
	}
	if got := folded(dated{3, found("corneal-oedema", "")}, dated{30, found("corneal-oedema", "")}).FindingKinds(); !reflect.DeepEqual(got, []string{"corneal-oedema"}) {
		t.Errorf("corneal oedema that stayed: %v", got)
	}
	for day, want := range map[int]bool{0: true, 42: true, 43: false} {
		if _, _, got := folded(dated{day, found("endophthalmitis", "presumed")}).Endophthalmitis(); got != want {
			t.Errorf("endophthalmitis on day %d: %v, want %v", day, got, want)
		}
	}
	on, certainty, _ := folded(dated{4, found("endophthalmitis", "presumed")}, dated{9, found("endophthalmitis", "culture-proven")}).Endophthalmitis()
	if on.Format(time.DateOnly) != "2025-03-16" || certainty != "culture-proven" {
		t.Errorf("found on %s, %s", on.Format(time.DateOnly), certainty)
	}
}

// What contradicts itself is flagged, and follow-up of before the operation is
// kept out.
func TestCrossEventFlags(t *testing.T) {
	implant := &events.LensImplanted{OpticUM: events.Some[int64](6000)}
	rhexis := func(what events.MeasurementKind, um int64) *events.MeasurementTaken {
		return &events.MeasurementTaken{What: what, ValueUM: um}
	}
	late := &events.FollowupClosed{Reason: "died"}
	for name, test := range map[string]struct {
		list []dated
		flag string
		want bool
	}{
		"follow-up before the operation":     {[]dated{{-2, seen(acuity("corrected", 10))}}, "followup-before-operation", true},
		"follow-up after it":                 {[]dated{{2, seen(acuity("corrected", 10))}}, "followup-before-operation", false},
		"left and right swapped":             {[]dated{{-9, &events.CaseBooked{Patient: "P", Eye: "right"}}, {-8, &events.CaseBooked{Patient: "P", Eye: "left"}}}, "eye-differs", true},
		"booked twice for one eye":           {[]dated{{-9, &events.CaseBooked{Patient: "P", Eye: "right"}}, {-8, &events.CaseBooked{Patient: "P", Eye: "right"}}}, "eye-differs", false},
		"two patients":                       {[]dated{{-9, &events.CaseBooked{Patient: "P", Eye: "right"}}, {-8, &events.CaseBooked{Patient: "Q", Eye: "right"}}}, "patient-differs", true},
		"opening as wide as the optic":       {[]dated{{0, implant}, {0, rhexis("rhexis-greatest-diameter", 6000)}}, "confirm", true},
		"opening under the optic":            {[]dated{{0, implant}, {0, rhexis("rhexis-greatest-diameter", 5000)}}, "confirm", false},
		"least more than greatest":           {[]dated{{0, rhexis("rhexis-least-diameter", 5200)}, {0, rhexis("rhexis-greatest-diameter", 5000)}}, "confirm", true},
		"30 hundredths worse":                {[]dated{{-3, assessed(acuity("corrected", 20))}, {30, seen(acuity("corrected", 50))}}, "confirm", true},
		"29 hundredths worse":                {[]dated{{-3, assessed(acuity("corrected", 20))}, {30, seen(acuity("corrected", 49))}}, "confirm", false},
		"more than two years later":          {[]dated{{731, seen(acuity("corrected", 10))}}, "confirm", true},
		"assessed more than a year before":   {[]dated{{-366, assessed()}}, "confirm", true},
		"seen after a death":                 {[]dated{{20, late}, {30, seen(acuity("corrected", 10))}}, "followup-after-death", true},
		"an implant on a later day":          {[]dated{{0, implant}, {9, implant}}, "implanted-again", true},
		"prediction far from the target":     {[]dated{{-3, &events.LensPlanned{TargetRefractionD: events.Some(events.Hundredths(0)), Candidates: []events.LensCandidate{candidate("A", 2100, 0, -51)}}}, {0, &events.LensImplanted{LensModel: "A", PowerD: events.Some(events.Hundredths(2100))}}}, "confirm", true},
		"prediction at half from the target": {[]dated{{-3, &events.LensPlanned{TargetRefractionD: events.Some(events.Hundredths(0)), Candidates: []events.LensCandidate{candidate("A", 2100, 0, -50)}}}, {0, &events.LensImplanted{LensModel: "A", PowerD: events.Some(events.Hundredths(2100))}}}, "confirm", false},
	} {
		c := folded(test.list...)
		if hasFlag(c, test.flag) != test.want {
			t.Errorf("%s: flag %s is %v; %v", name, test.flag, !test.want, c.Flags)
		}
		if test.flag == "followup-before-operation" && test.want && len(c.Acuities) != 0 {
			t.Errorf("%s: it is kept", name)
		}
	}
	if c := folded(dated{-9, &events.CaseCancelled{Stage: events.CancelBeforeIncision}}, dated{30, seen(acuity("corrected", 10))}); hasFlag(c, "followup-without-operation") {
		t.Errorf("a case taken up again: %v", c.Flags)
	}
}

// Joined codes that name different first operators are flagged; one operator under
// two codes is only a second start.
func TestJoinedSurgeonsDiffer(t *testing.T) {
	for operator, want := range map[events.Code]bool{"T": false, "U": true} {
		a, b := eye(), eye(dated{0, &events.CaseStarted{FirstOperator: operator}}, dated{0, &events.CaseJoined{OtherCase: "K"}})
		b.Code = "L"
		for i := range b.Events {
			b.Events[i].Event.Subject, b.Events[i].Event.Source = "L", "other"
		}
		c := Component([]Subject{a, b})[0]
		if !hasFlag(c, "second-start") || hasFlag(c, "joined-surgeons-differ") != want || c.FirstOperator() != "T" {
			t.Errorf("second operator %s: first operator %s, flags %v", operator, c.FirstOperator(), c.Flags)
		}
	}
}

// Another disease of the eye is known to be absent only when that was said.
func TestCopathology(t *testing.T) {
	for name, test := range map[string]struct {
		p    *events.PreopAssessed
		want events.Fact
	}{
		"not assessed": {nil, events.Unknown},
		"nothing said": {&events.PreopAssessed{}, events.Unknown},
		"a list":       {&events.PreopAssessed{OcularCopathology: []events.Copathology{"amblyopia"}}, events.Yes},
		"glaucoma":     {&events.PreopAssessed{Glaucoma: events.Yes}, events.Yes},
		"empty list":   {&events.PreopAssessed{OcularCopathology: []events.Copathology{}}, events.No},
		"ruled out":    {&events.PreopAssessed{Glaucoma: events.No, DiabeticRetinopathy: events.No}, events.No},
		"half of it":   {&events.PreopAssessed{Glaucoma: events.No}, events.Unknown},
	} {
		if got := (Case{Preop: test.p}).Copathology(); got != test.want {
			t.Errorf("%s: %v, want %v", name, got, test.want)
		}
	}
}

func TestSurgeonMoves(t *testing.T) {
	s := Subject{Code: "S"}
	for i, data := range []any{&events.SurgeonMoved{Department: "EAST", FromOn: "2025-09-01"},
		&events.SurgeonEnrolled{Post: "fellow"}, &events.SurgeonMoved{Department: "WEST", FromOn: "2025-03-01"}} {
		s.Events = append(s.Events, Recorded{Sequence: uint64(i + 1), Event: events.Event{ID: fmt.Sprint("m", i), Source: "hr", Subject: "S",
			Type: typeOf[reflect.TypeOf(data)], Department: "NORTH", Time: noon.AddDate(0, 0, i), Data: data}})
	}
	f := FoldSurgeon(s)
	if f.Department != "EAST" || !f.Enrolled {
		t.Errorf("department %s, enrolled %v: the latest move by its date stands", f.Department, f.Enrolled)
	}
	for day, want := range map[string]string{"2025-02-28": "NORTH", "2025-03-01": "WEST", "2025-08-31": "WEST", "2025-09-01": "EAST"} {
		d, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		if got := f.DepartmentOn(d); got != want {
			t.Errorf("on %s in %s, want %s", day, got, want)
		}
	}
}

// As-of answers about a surgeon find a case by everyone whom its events name.
func TestSurgeonsSeen(t *testing.T) {
	c := folded(dated{0, &events.TechniqueNoted{TeachingPoint: "P", By: "C1"}}, dated{3, &events.CaseReviewed{Trainer: "C2"}})
	if want := []string{"C1", "C2", "T"}; !reflect.DeepEqual(c.Trace.Surgeons, want) {
		t.Errorf("surgeons seen %v, want %v", c.Trace.Surgeons, want)
	}
	if want := []string{"T"}; !reflect.DeepEqual(c.Involved, want) {
		t.Errorf("involved %v, want %v: a trainer sees it through who operated", c.Involved, want)
	}
}

// The order in which events are handed over doesn't matter.
func TestOrderOfArrival(t *testing.T) {
	s := eye(dated{-9, &events.CaseBooked{Patient: "P", Eye: "right"}}, dated{-3, assessed(acuity("corrected", 50))},
		dated{-2, &events.LensPlanned{Candidates: []events.LensCandidate{candidate("A", 2100, 0, 0)}}},
		dated{0, &events.LensImplanted{LensModel: "A", PowerD: events.Some(events.Hundredths(2100)), Site: "bag"}},
		dated{30, seen(acuity("corrected", 10))}, dated{30, refraction(-25, "subjective")}, dated{40, refraction(-50, "")},
		dated{35, &events.FollowupFinding{Kind: events.FindingReturnToTheatre}}, dated{-1, seen(acuity("corrected", 0))})
	want := Component([]Subject{s})[0]
	const seed = 4
	dice := rand.New(rand.NewPCG(seed, 0))
	for range 50 {
		dice.Shuffle(len(s.Events), func(i, j int) { s.Events[i], s.Events[j] = s.Events[j], s.Events[i] })
		if got := Component([]Subject{s})[0]; !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: the fold depends on the order of its set", seed)
		}
	}
}
