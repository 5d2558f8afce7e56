package portal

import (
	"strings"
	"testing"
	"time"

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
		{plural(1, "case", "cases"), "1 case"}, {plural(0, "case", "cases"), "0 cases"},
		{moment(time.Date(2025, 3, 12, 10, 41, 7, 0, time.FixedZone("", 3600))), "12 March 2025, 09:41 UTC"},
		{eyeWords("right"), "Right eye"}, {eyeWords(""), "Eye not recorded"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
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
