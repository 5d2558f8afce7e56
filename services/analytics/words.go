package analytics

import (
	"fmt"
	"strconv"
	"strings"

	"lensledger/projections/department"
	"lensledger/projections/measure"
)

// The sentences that answers and pages share. They say what a figure shows and
// what it can't show, and never judge a person.

// PlainWords writes a word of the wire as a reader reads it.
func PlainWords(word string) string { return strings.ReplaceAll(word, "-", " ") }

// largeNumber is the number of cases from which an interval is read as numbers.
const largeNumber = 100

// RuptureWords words a rupture figure: "3 of 142 (2.1 %, 95 % CI 0.4 to 6.0)";
// below 25 operations the count alone, below 100 the interval in words.
func RuptureWords(f department.RuptureFigure) string {
	return RateWords(f.Events, f.N, f.Rate, f.Interval)
}

// RateWords words events among n cases. rate and interval are proportions from 0
// to 1, nil where there are too few cases.
func RateWords(events, n int, rate *float64, interval *measure.Interval) string {
	count := fmt.Sprintf("%d of %d", events, n)
	if n == 0 {
		return "no cases"
	}
	if rate == nil || interval == nil {
		return count + " (too few cases for a rate)"
	}
	lower, upper := tenths(interval.Lower*100), tenths(interval.Upper*100)
	if n < largeNumber {
		return fmt.Sprintf("%s (%s; any rate from %s to %s %% fits so few cases, 95 %% CI)", count, PercentWords(*rate), lower, upper)
	}
	return fmt.Sprintf("%s (%s, 95 %% CI %s to %s)", count, PercentWords(*rate), lower, upper)
}

func tenths(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

// Cases writes "1 case" or "3 cases".
func Cases(n int) string { return Plural(n, "case", "cases") }
