package portal

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// surgeonPages adds the pages of cases, progress, step charts and reviews.
func surgeonPages(t *testing.T, s *Service, add func(name, page string, view any)) {
	t.Helper()
	ctx := t.Context()
	booked := outcome.Record{Case: fold.Case{Code: "HB-2025-00500", Department: "HARBOUR", Booked: &events.CaseBooked{Eye: events.EyeLeft}}}
	booked.Row = outcome.RowOf(booked.Case)
	sent := &caseReviewForm{Case: "HB-2025-00417", ID: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", OpenedAt: "2025-06-02T08:00:00Z", Stage: "below",
		Points: "rhexis-too-large, not a code!", Strengths: "groove-deep", chosen: map[string][]string{"strength": {"steady-hands"}, "improve": {"rhexis-runs-out"}}, Action: `Look at "both" recordings`, Supervision: "scrubbed"}
	sent.list()
	for _, c := range []struct {
		name   string
		record outcome.Record
		stage  *feedback.Stage
		by     access.Actor
		form   *caseReviewForm
	}{
		{"case-rupture", record(), stageOf(t, record(), othersStub()), trainer, newCaseReviewForm("HB-2025-00417", fixedNow, "ABCDEFGHIJKLMNOPQRSTUVWXYZ")},
		{"case-not-stored", record(), stageOf(t, record(), feedback.Peers{}), trainer, sent},
		{"case-followed", followed(), stageOf(t, followed(), othersStub()), trainee, nil},
		{"case-of-another", record(), stranger(t), quality, nil},
		{"case-booked", booked, nil, trainer, nil},
	} {
		view, err := caseWords(c.record, c.stage)
		if err != nil {
			t.Fatal(err)
		}
		view.frame = s.frame(ctx, c.by, "What happened in this case?", &fixedAt)
		if view.Form = c.form; view.Form != nil {
			view.Form.offer(knownPoints(c.stage, nil))
			view.Mark = recordingHref(view.Code)
		}
		view.Neighbours = neighbourLinks("S-014", outcome.Neighbours{Before: "HB-2025-00416"})
		view.Questions = questionsOf(s, c.by, c.record)
		if c.form == sent {
			view.Problems = []problemView{{"teaching-points", "“code!” isn't a code of a teaching point."}}
		}
		add(c.name, "case", view)
	}

	traineePages(t, s, add)

	charts := append(drawn(45, 30), alarm.StepCharts(standingS014, entries(45), stepEntries(45), nil)...)
	view := s.chartsView("S-014", false, charts, entries(45), nil)
	view.frame = s.frame(ctx, trainer, "Where do these charts stand, and what could they still miss?", &fixedAt)
	add("charts-steps", "charts", view)

	no, yes := false, true
	waiting := []feedback.Unreviewed{
		{CaseCode: "HB-2025-00418", Surgeon: "S-014", Department: "HARBOUR", StartedAt: fixedNow, TakenOver: &no},
		{CaseCode: "HB-2025-00417", Surgeon: "S-014", Department: "HARBOUR", StartedAt: fixedNow, Supervision: "scrubbed", Rupture: true, RuptureStep: "segment-removal", TakenOver: &yes,
			Discussion: []string{feedback.DiscussRupture, feedback.DiscussTakeOvers}},
		{CaseCode: "HB-2025-00416", Surgeon: "S-014", Department: "HARBOUR", StartedAt: fixedNow, TakenOver: &yes}, {CaseCode: "HB-2025-00415", Surgeon: "S-014", Department: "HARBOUR", StartedAt: fixedNow}}
	for name, v := range map[string]reviewsView{"reviews-waiting": waitingWords(waiting, fixedNow), "reviews-none": waitingWords(nil, fixedNow), "reviews-empty": waitingWords(nil, time.Time{})} {
		v.frame = s.frame(ctx, trainer, "Which cases has nobody gone through yet?", &fixedAt)
		add(name, "reviews", v)
	}
	trainerPages(t, s, add)
}

// stageOf is the summary of a case of S-014 after forty others.
func stageOf(t *testing.T, r outcome.Record, peers feedback.Peers) *feedback.Stage {
	t.Helper()
	e := feedback.Evidence{Case: r.Case, Row: r.Row, RecordSeen: true, Surgeon: standingS014, Entries: entries(40), Points: notes(), Reviews: caseReviews(), Done: done(40)}
	for i := range feedback.LastCases - 1 {
		took := int64(60 * (30 + i))
		e.Earlier = append(e.Earlier, feedback.Earlier{CaseCode: caseName(39 - i), StartedAt: r.Case.StartedAt.AddDate(0, 0, -i-1), OperatingSeconds: &took, ExpectedNano: int64(5+i) * 1e6})
	}
	stage, err := feedback.StageOf(e, peers)
	if err != nil {
		t.Fatal(err)
	}
	return &stage
}

// stranger is the summary for somebody who doesn't see the surgeon's record.
func stranger(t *testing.T) *feedback.Stage {
	t.Helper()
	stage, err := feedback.StageOf(feedback.Evidence{Case: record().Case, Row: record().Row}, feedback.Peers{})
	if err != nil {
		t.Fatal(err)
	}
	return &stage
}

// othersStub has others for sculpting and for the case mix alone.
func othersStub() feedback.Peers {
	band := learning.Band{First: 26, Last: 50}
	return feedback.Peers{
		Step: func(step string, _ int) (feedback.Band, error) {
			if step != "sculpting" {
				return feedback.Band{}, nil
			}
			return feedback.Band{Band: band, Others: 8, N: 120, Lower: 180, Median: 240, Upper: 330}, nil
		},
		CaseMix: func(int) (feedback.Band, error) {
			return feedback.Band{Band: band, Others: 6, N: 90, Lower: 0.8, Median: 1, Upper: 1.4}, nil
		},
	}
}

// followed is a case with the whole path of an eye, and early healing.
func followed() outcome.Record {
	zone := time.FixedZone("", 3600)
	at := func(days, minute int) time.Time { return time.Date(2025, 3, 12+days, 10, minute, 0, 0, zone) }
	acuity := func(correction events.Correction, hundredths int64) events.Acuity {
		return events.Acuity{Correction: correction, LogMARHundredths: events.Some(hundredths)}
	}
	half := events.Hundredths(-50)
	pre := &events.PreopAssessed{AgeYears: events.Some(int64(71)), Acuity: []events.Acuity{acuity("corrected", 50), {Correction: "unaided", LowVision: "counting-fingers", Convention: "A"}},
		Refraction:    &events.Refraction{SphereD: 150, CylinderD: events.Some(events.Hundredths(-75)), AxisDeg: events.Some(int64(90)), Method: "subjective"},
		Keratometry:   &events.Keratometry{K1D: 4325, K1AxisDeg: events.Some(int64(180)), K2D: 4400, K2AxisDeg: events.Some(int64(90))},
		AxialLengthUM: events.Some(int64(23_450)), ACDUM: events.Some(int64(3100)), OcularCopathology: []events.Copathology{"glaucoma", "amblyopia"},
		PreviousVitrectomy: events.No, IntravitrealInjections: events.Some(int64(3))}
	seen := func(d int, a ...events.Acuity) fold.AcuityVisit {
		return fold.AcuityVisit{FollowupAcuity: events.FollowupAcuity{Acuity: a}, At: at(d, 0)}
	}
	refracted := func(d int, sphere events.Hundredths) fold.RefractionVisit {
		return fold.RefractionVisit{FollowupRefraction: events.FollowupRefraction{Refraction: events.Refraction{SphereD: sphere, Method: "subjective"}}, At: at(d, 0)}
	}
	c := fold.Case{Code: "HB-2025-00418", Department: "HARBOUR", Booked: &events.CaseBooked{Patient: "P-2", Eye: events.EyeLeft, FirstOrSecondEye: "first", Procedure: events.ProcedurePhaco},
		Assessments: []fold.Assessment{{PreopAssessed: pre, At: at(-20, 0)}}, Preop: pre,
		LensPlanned: &events.LensPlanned{Formula: "INVENTED-T", Biometer: "INVENTED-B", Constant: events.Some(events.Millionths(118_900_000)), TargetRefractionD: events.Some(events.Hundredths(-25)),
			Candidates: []events.LensCandidate{{LensModel: "INVENTED-1", PowerD: 2200, PredictedRefractionD: events.Some(events.Hundredths(-12))},
				{LensModel: "INVENTED-1", PowerD: 2250, PredictedRefractionD: events.Some(half)}}},
		Started: &events.CaseStarted{FirstOperator: "S-014", ResponsibleConsultant: "S-002", Supervision: "in-theatre"}, StartedAt: at(0, 5), FinishedAt: at(0, 40),
		Steps: []fold.Step{{Step: events.StepCapsulorhexis, Operator: "S-014", StartedAt: at(0, 10), FinishedAt: at(0, 12)}, {Step: events.StepSculpting, Operator: "S-014", StartedAt: at(0, 14), FinishedAt: at(0, 18)}},
		Measurements: []fold.Measurement{{MeasurementTaken: events.MeasurementTaken{What: events.MeasurementRhexisLeast, ValueUM: 4900}, At: at(0, 12)},
			{MeasurementTaken: events.MeasurementTaken{What: events.MeasurementRhexisGreatest, ValueUM: 5200}, At: at(0, 12)}},
		Techniques: []fold.Technique{{TechniqueNoted: events.TechniqueNoted{Step: events.StepCapsulorhexis, TeachingPoint: "rhexis-runs-out", Polarity: events.PolarityImprove, Consequence: "capsule", By: "S-002"}, At: at(0, 55)}},
		Lens:       &events.LensImplanted{LensModel: "INVENTED-1", PowerD: events.Some(events.Hundredths(2250)), OpticUM: events.Some(int64(6000)), Site: "bag"},
		Acuities:   []fold.AcuityVisit{seen(-1, acuity("unaided", 60)), seen(1, acuity("unaided", 40)), seen(35, acuity("unaided", 20), acuity("corrected", 0))}, Refractions: []fold.RefractionVisit{refracted(7, -150), refracted(35, -25)},
		Keratometries: []fold.KeratometryVisit{{FollowupKeratometry: events.FollowupKeratometry{Keratometry: *pre.Keratometry}, At: at(7, 0)}},
		Findings: []fold.Finding{{FollowupFinding: events.FollowupFinding{Kind: events.FindingCornealOedema}, At: at(1, 0)},
			{FollowupFinding: events.FollowupFinding{Kind: events.FindingRaisedPressure, PressureMMHg: events.Some(int64(31))}, At: at(1, 0)}},
		Closed:  &fold.Closing{FollowupClosed: events.FollowupClosed{Reason: "discharged"}, At: at(40, 0)},
		Reviews: []fold.CaseReview{{CaseReviewed: events.CaseReviewed{Trainer: "S-002", AtThisStage: events.StageAs, TeachingPoints: []events.Code{"rhexis-runs-out"}, AgreedAction: "Trace the edge before each pull", SupervisionNext: "in-theatre"}, At: at(1, 30), Department: "HARBOUR"}},
	}
	return outcome.Record{Row: outcome.RowOf(c), Case: c, AsOf: fixedAt}
}

// done are n operations of S-014, one a day.
func done(n int) []feedback.Done {
	steps := make([]learning.StepEntry, 0, n)
	return feedback.DoneOf(entries(n), append(steps, stepEntries(n)...))
}

// notes were made on every other operation: one point stopped after the first
// twenty, one came back, one is new.
func notes() []feedback.Point {
	var out []feedback.Point
	for i := 0; i < 60; i += 2 {
		e := entries(60)[i]
		note := func(part, step, code, polarity, consequence string) {
			out = append(out, feedback.Point{CaseCode: e.CaseCode, Part: part, Surgeon: "S-014", Department: "HARBOUR", StartedAt: e.StartedAt, NotedAt: e.StartedAt.Add(time.Hour),
				Step: step, TeachingPoint: code, Polarity: polarity, Consequence: consequence, NotedBy: "S-002"})
		}
		note("1", "sculpting", "groove-centred", "strength", "none")
		if i < 20 && i%4 == 0 {
			note("2", "capsulorhexis", "rhexis-too-small", "improve", "capsule")
		}
		if i%10 == 0 {
			note("3", "capsulorhexis", "rhexis-runs-out", "improve", "capsule")
		}
		if i == 58 {
			note("4", "stromal-hydration", "wound-over-hydrated", "improve", "visibility")
		}
	}
	return out
}

// caseReviews name a point that nobody noted.
func caseReviews() []feedback.Review {
	e := entries(60)[12]
	return []feedback.Review{{CaseCode: e.CaseCode, Part: "1", Surgeon: "S-014", Department: "HARBOUR", StartedAt: e.StartedAt, ReviewedAt: e.StartedAt.Add(26 * time.Hour), Trainer: "S-002",
		AtThisStage: "as", TeachingPoints: []string{"rhexis-runs-out", "lashes-in-the-field"}}}
}

// stepEntries are the steps of n operations: capsulorhexis without a hand-over,
// sculpting handed over in every eighth, and once not known whether planned.
func stepEntries(n int) []learning.StepEntry {
	yes, no := true, false
	var out []learning.StepEntry
	for i, e := range entries(n) {
		took := int32(200 - i)
		s := learning.StepEntry{CaseCode: e.CaseCode, Surgeon: e.Surgeon, Department: e.Department, StartedAt: e.StartedAt, Whole: e.Whole,
			Steps: []string{"capsulorhexis", "sculpting"}, Seconds: []*int32{&took, nil}, Supervision: []string{"scrubbed", "in-theatre"}, Failed: []*bool{&no, &no}}
		switch {
		case i%8 == 7:
			s.Failed[1] = &yes
		case i == 9:
			s.Failed[1] = nil
		}
		out = append(out, s)
	}
	return out
}

// progress60 is a trainee after sixty operations.
func progress60(t *testing.T) learning.Progress {
	t.Helper()
	var times, lengths []measure.CaseValue
	for i := range 60 {
		times = append(times, measure.CaseValue{Case: i + 3, Value: float64(260 - 3*i)})
		lengths = append(lengths, measure.CaseValue{Case: i + 3, Value: 50 - float64(i)/3})
	}
	curve := func(unit string, values []measure.CaseValue, unknown int) learning.Curve {
		c := learning.Curve{Unit: unit, N: len(values), Unknown: unknown}
		bands, err := measure.PercentilesByBand(values, []int{10, 25, 50, 100}, 0.25, 0.5, 0.75)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range bands {
			if b.N > 0 {
				c.Bands = append(c.Bands, b)
			}
		}
		law, err := measure.NewPowerLaw(values)
		if err != nil {
			t.Fatal(err)
		}
		monotone, err := measure.Monotone(values)
		if err != nil {
			t.Fatal(err)
		}
		c.PowerLaw, c.Monotone = &law, &monotone
		return c
	}
	count := func(happened, n int) learning.BandCount {
		rate, err := measure.NewRate(happened, n)
		if err != nil {
			t.Fatal(err)
		}
		last := 100
		return learning.BandCount{CaseBand: measure.CaseBand{First: 1, Last: &last}, Events: happened, N: n, Rate: &rate.Rate, Interval: &rate.Wilson}
	}
	p := learning.Progress{Surgeon: "S-014", Enrolled: true, Post: "trainee", Trainee: true, CaseNumber: 62, WholeCases: 60, PartCases: 9, PriorWhole: 2, PriorPart: 5,
		Minimums: learning.Minimums, NextMinimum: &learning.Minimums[0], OperatingTime: curve("minutes", lengths, 2),
		Rupture: []learning.BandCount{count(2, 60)}, Takeover: []learning.BandCount{count(8, 58)},
		Steps: []learning.StepProgress{
			{Step: "side-port", Cases: 1, Times: learning.Curve{Unit: "seconds", Unknown: 1}},
			{Step: "capsulorhexis", Critical: true, Cases: 60, Failed: 3, Unknown: 1, Reached: "in-theatre", Latest: "scrubbed", Lately: learning.Lately{Supervision: "scrubbed", Cases: 10, Failed: 1, Unknown: 1}, Times: curve("seconds", times, 0)}},
		Missing: learning.Missing{Operations: 69, AcuityBefore: 1, AcuityAfter: 1, Refraction: 1, Waiting: 20, Cases: []learning.MissingCase{
			{Case: "HB-2025-00300", OperatedOn: "2025-01-05", Missing: []string{"acuity-before", "acuity-after", "refraction"}, Closed: "moved"}}}}
	return p
}

// peersOfBands have others in one band, and hide another.
func peersOfBands() []learning.Peer {
	others, runs, lower, median, upper := 7, 90, 100.0, 130.0, 170.0
	return []learning.Peer{{Step: "capsulorhexis", Band: learning.Band{First: 1, Last: 10}, Hidden: true},
		{Step: "capsulorhexis", Band: learning.Band{First: 51, Last: 100}, Others: &others, Runs: &runs, Lower: &lower, Median: &median, Upper: &upper}}
}

// The sentences about steps are left to the table, and nothing else is.
func TestStageWordsKeepEverySentence(t *testing.T) {
	for _, r := range []outcome.Record{record(), followed()} {
		s := stageOf(t, r, othersStub())
		view, reviews := stageWords(s)
		if len(view.Timeline.Table.Rows) != len(s.Steps) || len(reviews) != len(s.Reviews) {
			t.Errorf("%s: %d rows of %d steps, %d of %d reviews", s.Case, len(view.Timeline.Table.Rows), len(s.Steps), len(reviews), len(s.Reviews))
		}
		kept := slices.Concat(view.Head, view.Beside, reviews)
		for _, sentence := range s.Words() {
			isStep := slices.ContainsFunc(s.Steps, func(x feedback.StageStep) bool {
				return strings.HasPrefix(strings.ToLower(sentence), plain(x.Step)+" by ")
			})
			if slices.Contains(kept, sentence) == isStep {
				t.Errorf("%s: a step %v, kept %v: %s", s.Case, isStep, !isStep, sentence)
			}
		}
	}
}

// No page about a surgeon or a case gives a verdict, or calls a time good or bad.
func TestSurgeonPagesGiveNoVerdict(t *testing.T) {
	s := onPaper(t)
	surgeonPages(t, s, func(name, page string, view any) {
		var text strings.Builder
		if err := s.pages[page].Execute(&text, view); err != nil {
			t.Fatal(err)
		}
		said := strings.ToLower(tags.Replace(parsePage(t, []byte(text.String())).text()))
		for _, word := range []string{"competent", "unsafe", "underperform", "poor", "better", "faster", "slower", "outlier", "ranking", "failed"} {
			if strings.Contains(said, word) {
				t.Errorf("%s says %q", name, word)
			}
		}
	})
}

// tags joins the words that every page holds, so that they aren't searched.
var tags = strings.NewReplacer(caution, "")

func TestStepChartStates(t *testing.T) {
	charts := alarm.StepCharts(standingS014, entries(60), stepEntries(60), nil)
	if len(charts) != 2 {
		t.Fatalf("%d charts, want those of capsulorhexis and sculpting", len(charts))
	}
	// An odds ratio of 10 to 30 %: each clean case scores ln(0.9/0.7) = 0.2513, so 4.28 takes 18 of them.
	got := chartViewOf(charts[0], nil)
	for _, want := range []string{"Evidence reached the set line (", "It did at case number ", "0 unplanned hand-overs of the step among 60 cases"} {
		if !strings.Contains(got.Answer, want) {
			t.Errorf("%q lacks %q", got.Answer, want)
		}
	}
	if charts[0].Reaching[0].Case != caseName(17) {
		t.Errorf("reached with %s", charts[0].Reaching[0].Case)
	}
	if got.Title != "Unplanned hand-over in capsulorhexis, gathering evidence that the rate is acceptable" || got.Anchor != "step-capsulorhexis-competence" {
		t.Errorf("%s at %s", got.Title, got.Anchor)
	}
	closed := alarm.StepCharts(standingS014, entries(130), stepsFailing(130, 4), nil)
	if got := chartViewOf(closed[0], nil); !strings.HasPrefix(got.Answer, "Closed without having reached the set line") || strings.Contains(got.Counts, "don't enter") {
		t.Errorf("%s %s", got.Answer, got.Counts)
	}
}

// stepsFailing hand the first step over unplanned in every k-th operation.
func stepsFailing(n, k int) []learning.StepEntry {
	yes := true
	out := stepEntries(n)
	for i := range out {
		if i%k == 0 {
			out[i].Failed = []*bool{&yes, out[i].Failed[1]}
		}
	}
	return out
}

// The events of a review are what the catalogue takes, and follow from the form.
func TestCaseReviewEvents(t *testing.T) {
	form := &caseReviewForm{Case: "HB-1", ID: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", Stage: "as", Action: "Scrubbed", Supervision: "scrubbed"}
	row := outcome.Row{CaseCode: "HB-1", Department: "HARBOUR"}
	es := form.events(trainer, row, caseReview{fixedNow, []string{"steady"}, []string{"a", "b"}})
	if len(es) != 2 {
		t.Fatalf("%d events, want the review and one strength", len(es))
	}
	for _, e := range es {
		if _, problems := events.Decode(events.Header{"content-type": {events.ContentTypeEvent}}, e.Encode()); len(problems) > 0 {
			t.Errorf("%s: %+v", e.Type, problems)
		}
	}
	if n := es[1].Data.(*events.TechniqueNoted); n.Polarity != events.PolarityStrength || n.TeachingPoint != "steady" || n.By != "S-002" {
		t.Errorf("%+v", n)
	}
	for i, again := range form.events(trainer, row, caseReview{fixedNow, []string{"steady"}, []string{"a", "b"}}) {
		if again.ID != es[i].ID {
			t.Errorf("%s, then %s", es[i].ID, again.ID)
		}
	}
	other := form.events(trainer, row, caseReview{fixedNow, []string{"steady"}, []string{"a"}})
	if other[0].ID == es[0].ID || !strings.HasPrefix(other[0].ID, reviewPrefix(form.ID)) || other[1].ID != es[1].ID {
		t.Errorf("other words are %s beside %s", other[0].ID, es[0].ID)
	}
	c := fold.Case{Timeline: []fold.Effective{{Event: es[0]}, {Event: es[1]}}}
	if sentOtherwise(c, es, reviewPrefix(form.ID), strengthPrefix(form.ID)) || !sentOtherwise(c, other, reviewPrefix(form.ID)) ||
		!sentOtherwise(c, es[:1], strengthPrefix(form.ID)) || sentOtherwise(c, other, reviewPrefix("ANOTHER")) {
		t.Error("what was sent otherwise isn't told from what was sent again")
	}
	if open := (&caseReviewForm{Stage: stageOpen}).events(trainer, row, caseReview{at: fixedNow}); open[0].Data.(*events.CaseReviewed).AtThisStage != "" {
		t.Error("a stage left open is one")
	}
}

func TestCanReview(t *testing.T) {
	s := onPaper(t)
	row := outcome.Row{Counts: true, FirstOperator: "S-014", Department: "HARBOUR"}
	for name, c := range map[string]struct {
		by   access.Actor
		row  outcome.Row
		want bool
	}{
		"the trainer":         {trainer, row, true},
		"another's trainee":   {trainer, outcome.Row{Counts: true, FirstOperator: "S-015", Department: "HARBOUR"}, false},
		"the trainer's own":   {trainer, outcome.Row{Counts: true, FirstOperator: "S-002", Department: "HARBOUR"}, false},
		"another department":  {trainer, outcome.Row{Counts: true, FirstOperator: "S-014", Department: "MOORLAND"}, false},
		"not an operation":    {trainer, outcome.Row{FirstOperator: "S-014", Department: "HARBOUR"}, false},
		"the trainee":         {trainee, row, false},
		"the quality officer": {quality, row, false},
	} {
		if got := s.canReview(c.by, c.row); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
