package feedback

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
)

// evidence is a case of T, the 23rd whole one: 10 before the record, 12 in it, with
// operating times of 21 to 40 minutes and expected risks of 0.5 to 2.4 %.
func evidence(change func(*fold.Case)) Evidence {
	c, row := operation(func(c *fold.Case) {
		c.Steps = []fold.Step{run("capsulorhexis", "T", 5, 9), run("sculpting", "T", 10, 16), run("lens-insertion", "C", 20, 22)}
		c.Changes = []fold.Change{{OperatorChanged: events.OperatorChanged{From: "T", To: "C", Planned: events.Yes, Step: "lens-insertion"}, At: minute(20)}}
		change(c)
	})
	e := Evidence{Case: c, Row: row, RecordSeen: true, Surgeon: learning.Surgeon{Surgeon: "T", PriorWhole: 10, Trainee: true}}
	no := false
	for i := range 20 {
		at := noon.UTC().AddDate(0, 0, i-20)
		code := fmt.Sprintf("J-%02d", i+1)
		e.Entries = append(e.Entries, learning.Entry{CaseCode: code, Surgeon: "T", StartedAt: at, Whole: i < 12, Enters: i < 12, TakenOver: &no})
		seconds := int64(60 * (21 + i))
		e.Earlier = append([]Earlier{{code, at, &seconds, int64(5+i) * 1e6}}, e.Earlier...)
	}
	e.Earlier = e.Earlier[:LastCases-1]
	e.Entries = append(e.Entries, learning.EntriesOf(c, row)...)
	e.Done = DoneOf(e.Entries, nil)
	return e
}

func stage(t *testing.T, e Evidence, peers Peers) Stage {
	t.Helper()
	s, err := StageOf(e, peers)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// one gives the sentence of a stage that begins so.
func one(t *testing.T, s Stage, begin string) string {
	t.Helper()
	for _, w := range s.Words() {
		if strings.HasPrefix(w, begin) {
			return w
		}
	}
	t.Errorf("no sentence begins with %q:\n%s", begin, strings.Join(s.Words(), "\n"))
	return ""
}

func TestStageNumberAndOutcome(t *testing.T) {
	s := stage(t, evidence(func(*fold.Case) {}), Peers{})
	if *s.CaseNumber != 23 || !s.Whole || !*s.CompletedWithout || s.OperatedOn != "2025-03-12" {
		t.Errorf("case number %d, whole %t, %s", *s.CaseNumber, s.Whole, s.OperatedOn)
	}
	want := "T began it; supervisor scrubbed. Case number 23, in whole cases, those before this record added."
	if got := one(t, s, "T began it"); got != want {
		t.Error(got)
	}
	one(t, s, "Completed without capsule rupture and without unplanned take-over.")
	one(t, s, "No rule asks for a case discussion.")
	one(t, s, "No teaching point and no review on record")

	part := stage(t, evidence(func(c *fold.Case) { c.Steps[1].Operator = "C" }), Peers{})
	if *part.CaseNumber != 22 || part.Whole {
		t.Errorf("a part case has number %d", *part.CaseNumber)
	}
	one(t, part, "T began it; supervisor scrubbed. Not a whole case; 22 whole cases by then")
}

// Each step stands beside others at the same count: only the first operator's, and
// only when there are five others.
func TestStageSteps(t *testing.T) {
	peers := Peers{Step: func(step string, number int) (Band, error) {
		if number != 23 {
			t.Errorf("asked for case number %d", number)
		}
		b := Band{Band: learning.Band{First: 11, Last: 25}, Others: 7, N: 40, Lower: 250, Median: 300, Upper: 330}
		if step == "capsulorhexis" {
			b.Others = 4
		}
		return b, nil
	}}
	e := evidence(func(c *fold.Case) { c.Steps = append(c.Steps, run("wound-check", "T", 25, 30)) })
	s := stage(t, e, peers)
	var got []string
	for _, step := range s.Steps {
		got = append(got, step.words())
	}
	want := []string{
		"Capsulorhexis by T: 4 min 00 s.",
		"Sculpting by T: 6 min 00 s, longer than the middle half of 7 others at cases 11 to 25, 4 min 10 s to 5 min 30 s.",
		"Lens insertion by C: 2 min 00 s.",
		"Wound check by T: 5 min 00 s, within the middle half of 7 others at cases 11 to 25, 4 min 10 s to 5 min 30 s.",
		// The hand-over was in a step of which no run of T is recorded; it was planned, so it makes none.
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	failed := errors.New("no connection")
	if _, err := StageOf(e, Peers{Step: func(string, int) (Band, error) { return Band{}, failed }}); !errors.Is(err, failed) {
		t.Errorf("a failed read of peers gives %v", err)
	}
}

func TestStagePlace(t *testing.T) {
	e := evidence(func(*fold.Case) {})
	e.Earlier[3].OperatingSeconds = nil // 37 min
	s := stage(t, e, Peers{})
	// 30 minutes among 22 to 40 without 37: one is as long.
	if want := (Place{Seconds: 1800, Earlier: 19, Known: 18, ShorterThan: 9, LongerThan: 8}); *s.Place != want {
		t.Errorf("%+v", *s.Place)
	}
	want := "Operating time 30 min 00 s: shorter than 9 and longer than 8 of the last 18 with a known time. Time is information, not an aim."
	if got := one(t, s, "Operating time"); got != want {
		t.Error(got)
	}
	if s := stage(t, evidence(func(c *fold.Case) { c.FinishedAt = time.Time{} }), Peers{}); s.Place != nil {
		t.Error("an operation without an end has a place")
	}
}

// The risk of this eye beside the surgeon's own and others' at the same count.
func TestStageCaseMix(t *testing.T) {
	e := evidence(func(*fold.Case) {})
	e.Row.ExpectedNano, e.Row.OddsRatioMillionths = 30e6, 1_500_000
	// Own risks 0.6 to 2.4 % in steps of 0.1: quartiles by rule 7 at places 5.5, 10 and 14.5 of 19.
	s := stage(t, e, Peers{CaseMix: func(int) (Band, error) {
		return Band{Band: learning.Band{First: 11, Last: 25}, Others: 5, N: 70, Lower: 1, Median: 1.2, Upper: 1.6}, nil
	}})
	want := Own{N: 19, Lower: 0.0105, Median: 0.015, Upper: 0.0195}
	if o := *s.CaseMix.Own; o.N != want.N || abs(o.Lower-want.Lower) > 1e-12 || abs(o.Median-want.Median) > 1e-12 || abs(o.Upper-want.Upper) > 1e-12 {
		t.Errorf("%+v, want %+v", o, want)
	}
	if s.CaseMix.Compared != Above || s.CaseMix.Beside != As {
		t.Errorf("%s own, %s others", s.CaseMix.Compared, s.CaseMix.Beside)
	}
	one(t, s, "Its composite odds ratio of 1.50 is within the middle half of 5 other trainees at cases 11 to 25, 1.00 to 1.60.")
	e.Earlier = e.Earlier[:minOwn-1]
	if s := stage(t, e, Peers{}); s.CaseMix.Own != nil || s.CaseMix.Others != nil {
		t.Error("a middle half of seven cases, or of nobody")
	}
}

func abs(x float64) float64 { return max(x, -x) }

// Technique by consequence, and what came back after advice.
func TestStageTechnique(t *testing.T) {
	e := evidence(func(c *fold.Case) {
		low := note("capsulorhexis", "P-low", "improve", "C", 7)
		low.Consequence = "cosmetic"
		c.Techniques = []fold.Technique{low, note("capsulorhexis", "P-known", "improve", "C", 7), note("sculpting", "P-known-2", "strength", "C", 12),
			note("lens-insertion", "P-known", "improve", "X", 21)}
		c.Reviews = []fold.CaseReview{{CaseReviewed: events.CaseReviewed{Trainer: "C", AtThisStage: "as", TeachingPoints: []events.Code{"P-named"},
			AgreedAction: "Mark the edge first.", SupervisionNext: "in-theatre"}, At: minute(60)}}
	})
	said := func(code string, daysBefore int) {
		at := noon.UTC().AddDate(0, 0, -daysBefore)
		e.Points = append(e.Points, Point{CaseCode: fmt.Sprintf("J-%02d", 21-daysBefore), Part: code, Surgeon: "T", StartedAt: at, NotedAt: at.Add(time.Minute),
			Step: "capsulorhexis", TeachingPoint: code, Polarity: "improve"})
	}
	e.Done = nil
	for i := range 20 { // ten of these cases come after P-past, with a review each
		at := noon.UTC().AddDate(0, 0, i-20)
		e.Done = append(e.Done, Done{CaseCode: fmt.Sprintf("J-%02d", i+1), StartedAt: at, Whole: true})
		e.Reviews = append(e.Reviews, Review{CaseCode: fmt.Sprintf("J-%02d", i+1), StartedAt: at, ReviewedAt: at.Add(time.Hour)})
	}
	said("P-past", 11)
	said("P-known", 9)
	said("P-known-2", 8)
	said("P-named", 7)
	said("P-open", 5)
	e.Points = append(e.Points, PointsOf(e.Case, e.Row)...)
	later := e.Points[0]
	later.CaseCode, later.TeachingPoint, later.NotedAt = "J-01", "P-low", noon.UTC().AddDate(0, 0, 1) // said afterwards
	e.Points = append(e.Points, later)
	s := stage(t, e, Peers{})
	if diff := cmp.Diff([]string{"P-known", "P-named"}, s.CameBack); diff != "" {
		t.Error("came back:", diff)
	}
	var open []string
	for _, o := range s.NotNoted {
		open = append(open, o.TeachingPoint)
	}
	if diff := cmp.Diff([]string{"P-known-2", "P-open"}, open); diff != "" {
		t.Error("not noted:", diff)
	}
	want := []string{
		"Capsule: P-known (to improve, capsulorhexis, advised before on 3 March 2025); P-known-2 (strength, sculpting, advised before on 4 March 2025); " +
			"P-known (to improve, lens insertion, for C).",
		"Cosmetic: P-low (to improve, capsulorhexis).",
		"Came back after advice: P-known and P-named.",
		"P-known-2 was advised on 4 March 2025 and isn't noted here.",
		"P-open was advised on 7 March 2025 and isn't noted here.",
	}
	if diff := cmp.Diff(want, s.pointWords()); diff != "" {
		t.Error(diff)
	}
	one(t, s, "Reviewed by C on 12 March 2025: as is usual at this stage; teaching points P-named; next time supervisor in theatre; agreed: Mark the edge first.")
}

func TestRhexis(t *testing.T) {
	measured := func(least, greatest, optic int64, overlap events.Overlap) func(*fold.Case) {
		return func(c *fold.Case) {
			for what, value := range map[events.MeasurementKind]int64{events.MeasurementRhexisLeast: least, events.MeasurementRhexisGreatest: greatest} {
				if value > 0 {
					c.Measurements = append(c.Measurements, fold.Measurement{MeasurementTaken: events.MeasurementTaken{What: what, ValueUM: value}})
				}
			}
			c.Lens = &events.LensImplanted{RhexisOverlap: overlap}
			if optic > 0 {
				c.Lens.OpticUM = events.Some(optic)
			}
		}
	}
	const right = ". About 5 mm under an optic of 6 mm, covering it all round by 0.5 mm, is right."
	for name, test := range map[string]struct {
		change func(*fold.Case)
		want   string
	}{
		"as is right":         {measured(5000, 5000, 6000, "complete"), "Capsulorhexis 5.0 by 5.0 mm under an optic of 6.0 mm; its edge covers the optic all round, as recorded, by 0.5 to 0.5 mm if centred"},
		"if centred":          {measured(4900, 5100, 6000, ""), "Capsulorhexis 4.9 by 5.1 mm under an optic of 6.0 mm; its edge covers the optic all round, by 0.45 to 0.55 mm if centred"},
		"wider than the lens": {measured(5200, 6200, 6000, ""), "Capsulorhexis 5.2 by 6.2 mm under an optic of 6.0 mm; its edge doesn't cover the optic all round, by −0.1 to 0.4 mm if centred, outside the usual 4.5 to 5.8 mm"},
		"not centred":         {measured(5000, 5000, 6000, "partial"), "Capsulorhexis 5.0 by 5.0 mm under an optic of 6.0 mm; its edge covers the optic in part, as recorded, by 0.5 to 0.5 mm if centred"},
		"small":               {measured(4000, 4400, 0, ""), "Capsulorhexis 4.0 by 4.4 mm, outside the usual 4.5 to 5.8 mm"},
		"overlap alone":       {measured(0, 0, 0, "complete"), "Capsulorhexis not measured; its edge covers the optic all round, as recorded"},
	} {
		c, _ := operation(test.change)
		if got := rhexisOf(c).words(); got != test.want+right {
			t.Errorf("%s: %s\nwant %s", name, got, test.want+right)
		}
	}
	if c, _ := operation(func(*fold.Case) {}); rhexisOf(c) != nil {
		t.Error("a capsulorhexis of which nothing is recorded")
	}
}

// What is found at the cornea before day 28, and measured through it, is healing.
func TestFindings(t *testing.T) {
	day := func(n int) time.Time { return noon.AddDate(0, 0, n) }
	found := func(kind events.FindingKind, n int) fold.Finding {
		return fold.Finding{FollowupFinding: events.FollowupFinding{Kind: kind}, At: day(n)}
	}
	c, _ := operation(func(c *fold.Case) {
		c.Findings = []fold.Finding{found("corneal-oedema", 1), found("cystoid-macular-oedema", 27), found("corneal-oedema", 27), found("corneal-oedema", 28), found("corneal-oedema", -1)}
		c.Refractions = []fold.RefractionVisit{{At: day(7)}, {At: day(28)}}
		c.Keratometries = []fold.KeratometryVisit{{At: time.Date(2025, 3, 13, 0, 10, 0, 0, noon.Location())}}
	})
	want := []LateFinding{{"corneal-oedema", 1, true}, {"keratometry", 1, true}, {"refraction", 7, true}, {"cystoid-macular-oedema", 27, false},
		{"corneal-oedema", 27, true}, {"corneal-oedema", 28, false}}
	if diff := cmp.Diff(want, findingsOf(c)); diff != "" {
		t.Error(diff)
	}
	if got := (LateFinding{"corneal-oedema", 1, true}).words(); got != "Corneal oedema on day 1: before day 28 that is healing, not outcome." {
		t.Error(got)
	}
}

func TestDiscussion(t *testing.T) {
	complication := func(kind events.ComplicationKind, vitreous events.Vitreous) func(*fold.Case) {
		return func(c *fold.Case) {
			c.Complications = []fold.Complication{{ComplicationRecorded: events.ComplicationRecorded{Kind: kind, Vitreous: vitreous}, At: minute(12)}}
		}
	}
	finding := func(days int) func(*fold.Case) {
		return func(c *fold.Case) {
			c.Findings = []fold.Finding{{FollowupFinding: events.FollowupFinding{Kind: events.FindingEndophthalmitis}, At: noon.AddDate(0, 0, days)}}
		}
	}
	stopped := func(c *fold.Case) { c.Changes[0].Planned = events.No }
	for name, test := range map[string]struct {
		change func(*fold.Case)
		before string // take-over in the case before: yes, no, unknown, part
		want   []string
	}{
		"nothing":                     {func(*fold.Case) {}, "no", nil},
		"rupture":                     {complication("posterior-capsule-rupture", ""), "no", []string{"capsule-rupture"}},
		"zonule without vitreous":     {complication("zonule-rupture", "none"), "no", nil},
		"zonule with vitreous":        {complication("zonule-rupture", "loss"), "no", []string{"capsule-rupture"}},
		"dropped nucleus":             {complication("dropped-nucleus", ""), "no", []string{"dropped-nucleus"}},
		"wrong implant":               {complication("wrong-implant", ""), "no", []string{"wrong-implant"}},
		"wrong eye":                   {complication("wrong-eye", ""), "no", []string{"wrong-eye"}},
		"iris prolapse":               {complication("iris-prolapse", ""), "no", nil},
		"endophthalmitis":             {finding(5), "no", []string{"endophthalmitis"}},
		"endophthalmitis of before":   {finding(-5), "no", nil},
		"one take-over":               {stopped, "no", nil},
		"two in a row":                {stopped, "yes", []string{"two-take-overs-in-a-row"}},
		"the first may not have been": {stopped, "unknown", nil},
		"a part case between":         {stopped, "part", []string{"two-take-overs-in-a-row"}},
		"the second was planned":      {func(*fold.Case) {}, "yes", nil},
		"two, of a surgeon whose record isn't seen": {stopped, "hidden", nil},
	} {
		e := evidence(test.change)
		yes, no := true, false
		e.Entries = e.Entries[:20]
		last := &e.Entries[19]
		last.Enters, last.TakenOver = true, &no
		switch test.before {
		case "yes":
			last.TakenOver = &yes
		case "unknown":
			last.TakenOver = nil
		case "part":
			last.Enters = false
			e.Entries[18].Enters, e.Entries[18].TakenOver = true, &yes
		case "hidden":
			last.TakenOver, e.RecordSeen = &yes, false
		}
		want := append([]string{}, test.want...)
		s := stage(t, e, Peers{})
		if diff := cmp.Diff(want, s.Discussion); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		if len(want) > 0 {
			one(t, s, "Asks for a case discussion, whatever a chart says: ")
		}
	}
}

// Operating time alone never raises concern: cases that differ in times alone ask
// for the same discussion, and no sentence about a time judges.
func TestTimeAloneRaisesNoConcern(t *testing.T) {
	peers := Peers{Step: func(string, int) (Band, error) {
		return Band{Band: learning.Band{First: 11, Last: 25}, Others: 9, N: 90, Lower: 100, Median: 120, Upper: 140}, nil
	}}
	stopped := func(c *fold.Case) { c.Changes[0].Planned = events.No }
	for name, test := range map[string]struct {
		change func(*fold.Case)
		before bool // stopped in the case before
	}{
		"nothing happened": {func(*fold.Case) {}, true},
		"a rupture": {func(c *fold.Case) {
			c.Complications = []fold.Complication{{ComplicationRecorded: events.ComplicationRecorded{Kind: "posterior-capsule-rupture"}, At: minute(1)}}
		}, true},
		"a first take-over":  {stopped, false},
		"a second take-over": {stopped, true},
	} {
		change := test.change
		var first []string
		for i, stretch := range []time.Duration{1, 2, 5, 11} { // operations of 30 minutes to 5.5 hours
			e := evidence(func(c *fold.Case) {
				change(c)
				later := func(at time.Time) time.Time { return noon.Add(at.Sub(noon) * stretch) }
				c.FinishedAt = later(c.FinishedAt)
				for k := range c.Steps {
					c.Steps[k].StartedAt, c.Steps[k].FinishedAt = later(c.Steps[k].StartedAt), later(c.Steps[k].FinishedAt)
				}
				for k := range c.Changes {
					c.Changes[k].At = later(c.Changes[k].At)
				}
			})
			e.Entries[19].Enters, e.Entries[19].TakenOver = true, &test.before
			s := stage(t, e, peers)
			if i == 0 {
				first = s.Discussion
			} else if *s.Place == *stage(t, evidence(change), peers).Place {
				t.Errorf("%s: stretching the operation changes no time", name)
			}
			if diff := cmp.Diff(first, s.Discussion); diff != "" {
				t.Errorf("%s, %d times as long: %s", name, stretch, diff)
			}
			for _, w := range s.Words() {
				for _, verdict := range []string{"better", "worse", "slow", "too long", "fast", "concern", "poor", "good"} {
					if strings.Contains(strings.ToLower(w), verdict) {
						t.Errorf("%q says %s", w, verdict)
					}
				}
			}
		}
	}
}

// Of a surgeon whose record the reader doesn't see, nothing rests on other
// operations.
func TestStageOfAnUnseenRecord(t *testing.T) {
	e := evidence(func(*fold.Case) {})
	e.RecordSeen = false
	s := stage(t, e, Peers{Step: func(string, int) (Band, error) { panic("asked for peers") }, CaseMix: func(int) (Band, error) { panic("asked for peers") }})
	if s.CaseNumber != nil || s.Place != nil || s.CaseMix.Own != nil || len(s.NotNoted) > 0 {
		t.Errorf("%+v", s)
	}
	one(t, s, "T began it; supervisor scrubbed. The rest of this surgeon's record isn't yours to see")
}

// As of a position, cases that straddle it take their place among the earlier ones.
func TestEarlierWithStraddling(t *testing.T) {
	e := evidence(func(*fold.Case) {})
	c, _ := operation(func(c *fold.Case) {
		c.Code, c.StartedAt, c.FinishedAt = "I-9", noon.Add(-time.Hour), noon.Add(-time.Minute)
	})
	after, _ := operation(func(c *fold.Case) { c.Code = "L-1" }) // at the same time, by code after it
	got := withStraddling(e.Earlier, []fold.Case{c, after}, e.Row)
	if len(got) != LastCases-1 || got[0].CaseCode != "I-9" || got[1].CaseCode != "J-20" || got[18].CaseCode != "J-03" {
		t.Errorf("%v", got)
	}
}
