package portal

import (
	"math"
	"strings"
	"testing"
	"time"

	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/measure"
)

func TestRateWords(t *testing.T) {
	for _, c := range []struct {
		events, n int
		want      string
	}{
		// Newcombe RG. Stat Med 1998;17:857-872, table I: 15 of 148, score interval 0.0624 to 0.1605
		// (0.16049 before rounding).
		{15, 148, "15 of 148 (10.1 %, 95 % CI 6.2 to 16.0)"},
		// The same table: 0 of 20 is 0 to 0.1611. Below 25 cases no rate is given.
		{0, 20, "0 of 20 (too few cases for a rate)"},
		// And 1 of 29: 0.0061 to 0.1718.
		{1, 29, "1 of 29 (3.4 %, 95 % CI 0.6 to 17.2); few cases: any rate from 0.6 to 17.2 in 100 fits these numbers"},
		{0, 0, "no cases"},
	} {
		f, err := department.Rupture(c.events, c.n, 1e9)
		if err != nil {
			t.Fatal(err)
		}
		if got := rateWords(c.events, c.n, f.Rate, f.Interval); got != c.want {
			t.Errorf("%d of %d:\n got %s\nwant %s", c.events, c.n, got, c.want)
		}
	}
}

func TestNumbersInWords(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{signed(-0.25, 2), "−0.25"}, {signed(22.5, 2), "+22.50"}, {signed(-0.0001, 2), "0.00"}, {signed(0, 3), "0.000"},
		{decimal(-10, 1), "−10.0"}, {whole(999), "999"}, {whole(1000), "1,000"}, {whole(1234567), "1,234,567"}, {whole(-1000), "-1,000"},
		{percent(0.013298), "1.3 %"}, {chanceWords(0.0004), "less than 0.1 %"}, {chanceWords(0.012), "1.2 %"}, {chanceWords(0), "0.0 %"}, {length(4*time.Minute + 5*time.Second), "4 min 05 s"}, {length(59 * time.Second), "59 s"},
		{length(90 * time.Minute), "1 h 30 min"}, {list([]string{"a", "b", "c"}), "a, b and c"}, {list(nil), ""},
		{ratio(2), "twice"}, {ratio(1.5), "1.5 times"}, {plural(1, "case", "cases"), "1 case"}, {plural(0, "case", "cases"), "0 cases"},
		{moment(time.Date(2025, 3, 12, 10, 41, 7, 0, time.FixedZone("", 3600))), "12 March 2025, 09:41 UTC"},
		{eyeWords("right"), "Right eye"}, {eyeWords(""), "Eye not recorded"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// Expected values come from an independent exact recursion of the run length
// (alarm at or above the line, start at zero); medians are whole cases, 0 where it gives none.
func TestDesignFacts(t *testing.T) {
	var d designs
	for _, c := range []struct {
		code                    string
		within                  int
		falseWithin, seenMedian float64
	}{
		{"standard-rupture-trainees", 100, 0.049, 0},
		{"standard-rupture-independent", 300, 0.05, 0},
		{"standard-rupture-competence", 300, 0.10, 149},
		{"standard-takeover-competence", 100, 0.10, 28},
	} {
		for _, a := range alarm.Standards {
			if a.Code != c.code {
				continue
			}
			f := d.of(a)
			if !f.Known || f.Within != c.within || (c.falseWithin > 0 && math.Abs(f.FalseWithin-c.falseWithin) > 0.003) || (c.seenMedian > 0 && math.Abs(f.SeenMedian-c.seenMedian) > 1) {
				t.Errorf("%s: %+v, want %+v", c.code, f, c)
			}
			if again := d.of(a); again != f {
				t.Errorf("%s: %+v the second time, %+v the first", c.code, again, f)
			}
		}
	}
	if f := d.of(alarm.Design{Kind: "detection", Acceptable: 0.03, Unacceptable: 0.03, Threshold: 2}); f.Known {
		t.Errorf("a design that can't be worked out: %+v", f)
	}
}

func TestStates(t *testing.T) {
	listed := func(restarted bool, reviews ...alarm.ReviewRow) *alarm.Listed {
		return &alarm.Listed{Row: alarm.Row{CaseNumber: 57, Value: 2_410_000, Threshold: 2_360_000}, Restarted: restarted, Reviews: reviews}
	}
	for _, c := range []struct {
		name string
		at   standing
		want State
	}{
		{"few", standing{Kind: "detection", Cases: 24, Line: 2.36}, StateTooFew},
		{"few, but crossed", standing{Kind: "detection", Cases: 9, Value: 2.5, Line: 2.36, Alarm: listed(false)}, StateCrossed},
		{"quiet", standing{Kind: "detection", Cases: 25, Value: 1.76, Line: 2.36}, StateNoSignal},
		{"near", standing{Kind: "detection", Cases: 25, Value: 1.78, Line: 2.36}, StateNear},
		{"reviewed", standing{Kind: "detection", Cases: 80, Value: 2.5, Line: 2.36, Alarm: listed(false, alarm.ReviewRow{Finding: "case-mix"})}, StateReviewed},
		{"over once and under again, still for review", standing{Kind: "detection", Cases: 80, Line: 2.36, Alarm: listed(false)}, StateCrossed},
		{"restarted, no case since", standing{Kind: "detection", Cases: 80, Value: 2.5, Line: 2.36, Alarm: listed(true), Restarted: true}, StateRestarted},
		{"restarted, cases since", standing{Kind: "detection", Cases: 80, Value: 0.5, Line: 2.36, Alarm: listed(true)}, StateNoSignal},
		{"closed", standing{Kind: "competence", Cases: 300, Value: 1, Line: 3.58, Closed: true}, StateClosed},
		{"reached, then closed", standing{Kind: "competence", Cases: 300, Value: 4, Line: 3.58, Reached: true, Closed: true}, StateReached},
		{"not reached", standing{Kind: "competence", Cases: 30, Value: 3.5, Line: 3.58}, StateNotReached},
	} {
		if got := c.at.State(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		if words := c.at.Words(facts{}); !strings.HasPrefix(words, string(c.want)) {
			t.Errorf("%s: the words don't begin with %q: %s", c.name, c.want, words)
		}
	}
}

// Nothing that a chart can say is a verdict.
func TestNoVerdict(t *testing.T) {
	bad := []string{"competent", "unsafe", "underperform", "poor", "better", "worse", "fail", "outlier", "rank", "safe"}
	for _, a := range alarm.Standards {
		f := factsOf(a)
		said := designWords(a, f)
		for _, s := range []standing{
			{}, {Cases: 30}, {Cases: 30, Value: 2.3}, {Cases: 30, Closed: true}, {Cases: 30, Reached: true, ReachedCase: 9}, {Cases: 30, Restarted: true},
			{Cases: 30, Alarm: &alarm.Listed{}}, {Cases: 30, Alarm: &alarm.Listed{Reviews: []alarm.ReviewRow{{Finding: "other"}}}},
		} {
			s.Outcome, s.Kind, s.Line = a.Outcome, a.Kind, a.Threshold
			said = append(said, s.Words(f))
		}
		for _, text := range said {
			for _, word := range bad {
				if strings.Contains(strings.ToLower(text), word) {
					t.Errorf("%s says %q: %s", a.Code, word, text)
				}
			}
		}
	}
}

func TestAgainstExpectedNeedsItsInterval(t *testing.T) {
	reference := measure.Reference2016To2022().Rate
	for _, c := range []struct {
		events, n int
		expected  float64
		want      string
	}{
		// Poisson limits from tables of the gamma distribution: 15 events are 8.40 to 24.74, so 2.9 and 30 lie outside and 12 doesn't.
		{15, 148, 2.9, "more than expected"},
		{15, 1500, 12, "as many as chance could give"},
		{15, 3000, 30, "fewer than expected"},
		{1, 20, 0.2, "too few cases"},
	} {
		f, err := department.Rupture(c.events, c.n, int64(c.expected*1e9))
		if err != nil {
			t.Fatal(err)
		}
		if got := againstExpected(f); !strings.HasPrefix(got, c.want) {
			t.Errorf("%d observed, %g expected (reference %g): %s, want %s", c.events, c.expected, reference, got, c.want)
		}
	}
}
