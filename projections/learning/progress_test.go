package learning

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"lensledger/projections/outcome"
)

// whole is the n-th of a surgeon's operations, all of it theirs.
func whole(n int) Entry {
	no := false
	return Entry{CaseCode: fmt.Sprintf("K-%04d", n), Surgeon: "T", StartedAt: noon.AddDate(0, 0, n), Whole: true, Enters: true,
		OutcomeKnown: true, TakenOver: &no, OddsRatioMillionths: 1_000_000}
}

func timed(n int, seconds int32, failed bool, supervision string) StepEntry {
	e := StepEntry{CaseCode: whole(n).CaseCode, Surgeon: "T", StartedAt: whole(n).StartedAt, Whole: true, Steps: []string{"capsulorhexis"},
		Seconds: []*int32{&seconds}, Supervision: []string{supervision}, Failed: []*bool{&failed}}
	if failed {
		e.Seconds[0] = nil
	}
	return e
}

var trainee = Surgeon{Surgeon: "T", Enrolled: true, Trainee: true, Post: "trainee"}

// The bands end with cases 10, 25, 50, 100, 200, 300 and 400; beyond, and for one
// whose count isn't on record, there is none.
func TestPeerBands(t *testing.T) {
	var entries []Entry
	times := map[string][]StepTime{}
	for n := range 402 {
		entries = append(entries, whole(n))
		times[whole(n).CaseCode] = TimesOf([]string{"capsulorhexis", "draping"}, []*int32{new(int32), nil})
	}
	var got []string
	for _, b := range PeerBandsOf(trainee, entries, times) {
		got = append(got, fmt.Sprintf("%s %v %v", b.Band, b.Steps, b.Counts))
	}
	want := []string{"1-10 [capsulorhexis] [10]", "11-25 [capsulorhexis] [15]", "26-50 [capsulorhexis] [25]", "51-100 [capsulorhexis] [50]",
		"101-200 [capsulorhexis] [100]", "201-300 [capsulorhexis] [100]", "301-400 [capsulorhexis] [100]"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%q", got)
	}
	unknown := trainee
	unknown.Enrolled = false
	consultant := trainee
	consultant.Trainee = false
	for _, s := range []Surgeon{unknown, consultant} {
		if got := PeerBandsOf(s, entries, times); got != nil {
			t.Errorf("%+v has %d bands", s, len(got))
		}
	}
}

// Counts, minimums, rates by hundreds and curves of 120 operations: the fourth
// handed over in the capsulorhexis, times by the power law 200 x case^-0.2.
func TestProgress(t *testing.T) {
	var entries []Entry
	var steps []StepEntry
	// round(200 x n^-0.2) for n = 1, 2, ..., 12, computed by hand.
	seconds := []int32{200, 174, 161, 152, 145, 140, 136, 132, 129, 126, 124, 122}
	for n := range 120 {
		e := whole(n)
		yes := true
		if n == 3 {
			e.Whole, e.TakenOver = false, &yes
		}
		entries = append(entries, e)
	}
	for n, s := range seconds {
		supervision := "scrubbed"
		if n > 8 {
			supervision = "in-theatre"
		}
		steps = append(steps, timed(n, s, n == 3, supervision))
	}
	p, err := progressOf(trainee, entries, steps, nil)
	if err != nil {
		t.Fatal(err)
	}
	if p.CaseNumber != 119 || p.WholeCases != 119 || p.PartCases != 1 || p.NextMinimum == nil || p.NextMinimum.Name != "uk" || !p.Minimums[0].Reached {
		t.Errorf("case %d, whole %d, part %d, next %+v", p.CaseNumber, p.WholeCases, p.PartCases, p.NextMinimum)
	}
	if len(p.Takeover) != 2 || p.Takeover[0].Events != 1 || p.Takeover[0].N != 101 || p.Takeover[0].Rate == nil ||
		p.Takeover[1].N != 19 || p.Takeover[1].Rate != nil || *p.Takeover[0].Last != 100 {
		t.Errorf("take-overs %+v", p.Takeover)
	}
	if len(p.Steps) != 1 {
		t.Fatalf("steps %+v", p.Steps)
	}
	s := p.Steps[0]
	if s.Cases != 12 || s.Failed != 1 || s.Unknown != 0 || s.Reached != "in-theatre" || s.Latest != "in-theatre" || len(s.Supervisions) != 2 ||
		s.Supervisions[0] != (Supervised{"scrubbed", 9, 1, 1, 8}) {
		t.Errorf("step %+v", s)
	}
	if s.Times.N != 11 || s.Times.Unknown != 1 || s.Times.PowerLaw == nil || s.Times.PowerLaw.Slope > -0.17 || s.Times.PowerLaw.Slope < -0.23 ||
		s.Times.Monotone == nil || !s.Times.Monotone.Falling {
		t.Errorf("times %+v", s.Times)
	}
	if p.OperatingTime.N != 0 || p.OperatingTime.PowerLaw != nil || p.OperatingTime.PowerLawAbsent == "" {
		t.Errorf("operating time %+v", p.OperatingTime)
	}
}

// What is missing is missing only once its window is over; a refraction that a
// second procedure ended isn't.
func TestMissingFollowup(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n) }
	on := day(40)
	eyes := []followedEye{
		{CaseCode: "all", OperatedOn: day(0), BeforeOn: &on, AfterOn: &on, RefractionOn: &on},
		{CaseCode: "nothing", OperatedOn: day(0), FollowupClosed: "moved"},
		{CaseCode: "returned", OperatedOn: day(0), BeforeOn: &on, AfterOn: &on, RefractionReason: "after-another-procedure"},
		{CaseCode: "waits", OperatedOn: day(100), BeforeOn: &on},
		{CaseCode: "half", OperatedOn: day(79), BeforeOn: &on, RefractionReason: "no-refraction-in-window"},
	}
	// On day 200 the refraction of day 79 (to day 199) is over, its acuity (to day
	// 259) isn't; of day 100 neither is (to days 220 and 280).
	m := missingOf(eyes, day(200).Add(time.Hour))
	var cases []string
	for _, c := range m.Cases {
		cases = append(cases, c.Case+": "+strings.Join(c.Missing, " "))
	}
	want := []string{"half: refraction", "nothing: acuity-before acuity-after refraction"}
	if !reflect.DeepEqual(cases, want) || m.Operations != 5 || m.AcuityBefore != 1 || m.AcuityAfter != 1 || m.Refraction != 2 || m.Waiting != 2 {
		t.Errorf("%q %+v", cases, m)
	}
	if e := followedEyeOf(outcome.EyeRow{CaseCode: "K", FollowupClosed: "died"}); e.CaseCode != "K" || e.FollowupClosed != "died" {
		t.Errorf("%+v", e)
	}
}
