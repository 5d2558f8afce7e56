package analytics

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/department"
	"lensledger/projections/measure"
)

// The sentences that answers and pages share. They say what a figure shows and
// what it can't show, and never judge a person.

// PlainWords writes a word of the wire as a reader reads it.
func PlainWords(word string) string { return strings.ReplaceAll(word, "-", " ") }

// smallNumber is the number of cases below which only counts are read.
const smallNumber = 25

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

// PercentWords writes a proportion as "2.1 %".
func PercentWords(p float64) string { return tenths(p*100) + " %" }

func tenths(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

const doubling = "a doubling"

// OddsWords says how many times as high the odds are that a design watches for.
func OddsWords(ratio float64) string {
	if math.Abs(ratio-2) < 0.01 {
		return doubling
	}
	return "odds " + strconv.FormatFloat(ratio, 'g', 3, 64) + " times as high"
}

// ChartWords says in one sentence where a chart stands.
func ChartWords(c alarm.Chart) string {
	at := crossing(c)
	var words string
	switch detection := c.Design.Kind == string(events.KindDetection); {
	case at != nil && detection:
		words = fmt.Sprintf("crossed its line at case number %d, for review", at.CaseNumber)
	case at != nil:
		words = fmt.Sprintf("evidence reached the set line at case number %d", at.CaseNumber)
	case len(c.Points) == 0:
		words = "no cases yet"
	case len(c.Points) < smallNumber:
		words = fmt.Sprintf("too few cases (%d)", len(c.Points))
	case detection:
		words = "no signal (could still miss " + OddsWords(oddsRatio(c.Design)) + ")"
	case c.Closed:
		words = "evidence did not reach the set line"
	default:
		words = "evidence has not reached the set line yet"
	}
	if c.Closed {
		words += fmt.Sprintf("; closed after %s", Cases(c.Design.ClosesAfter))
	}
	if c.LeftOut > 0 {
		words += fmt.Sprintf("; %s left out whose outcome isn't known yet", Cases(c.LeftOut))
	}
	return words
}

// Cases writes "1 case" or "3 cases".
func Cases(n int) string {
	if n == 1 {
		return "1 case"
	}
	return strconv.Itoa(n) + " cases"
}

// crossing is the first case of the chart's present stretch at or over the line;
// nil when there is none.
func crossing(c alarm.Chart) *alarm.Point {
	var at *alarm.Point
	for i, p := range c.Points {
		if p.Restarted {
			at = nil
		}
		if p.Crossed && at == nil {
			at = &c.Points[i]
		}
	}
	return at
}

// CannotSee says what a chart can't show yet, from the run lengths of its design;
// without them, nil, it says that they aren't known. Run lengths hold for cases
// that all carry the acceptable risk.
func CannotSee(c alarm.Chart, d *measure.Design) string {
	n := len(c.Points)
	if d == nil {
		return "How long this chart runs before it crosses its line can't be computed for its design, so no signal shows little."
	}
	median := strconv.FormatFloat(d.OutOfControl.MedianRunLength, 'f', 0, 64)
	if c.Design.Kind != string(events.KindDetection) {
		words := fmt.Sprintf("Someone at %s reaches the line after a median of %s cases; there are %d. Not to have reached it doesn't show the contrary.",
			PercentWords(c.Design.Acceptable), median, n)
		if w := within(d.InControl, max(n, c.Design.ClosesAfter)); w != nil {
			words += fmt.Sprintf(" Someone at %s reaches it by case %d in %s.", PercentWords(c.Design.Unacceptable), w.Cases, chanceWords(w.Chance))
		}
		return words
	}
	change := OddsWords(oddsRatio(c.Design))
	if change == doubling {
		change += " of the odds"
	}
	words := fmt.Sprintf("With %s, the line is crossed after a median of %s cases; there are %d, so no signal doesn't rule it out.", change, median, n)
	if w := within(d.InControl, n); w != nil {
		words += fmt.Sprintf(" Where nothing has changed, it is crossed by case %d in %s.", w.Cases, chanceWords(w.Chance))
	}
	return words
}

// within is the first number of cases stated that isn't below n, else the last.
func within(r measure.RunLength, n int) *measure.AlarmWithin {
	for i, w := range r.AlarmWithin {
		if w.Cases >= n {
			return &r.AlarmWithin[i]
		}
	}
	if len(r.AlarmWithin) == 0 {
		return nil
	}
	return &r.AlarmWithin[len(r.AlarmWithin)-1]
}

func chanceWords(chance float64) string { return tenths(chance*100) + " of 100 such charts" }

// oddsRatio is how many times as high the odds are at unacceptable performance.
func oddsRatio(d alarm.Design) float64 {
	return (d.Unacceptable / (1 - d.Unacceptable)) / (d.Acceptable / (1 - d.Acceptable))
}

// AlarmWords says in one sentence what became of an alarm.
func AlarmWords(l alarm.Listed) string {
	words := fmt.Sprintf("crossed its line at case number %d, for review", l.CaseNumber)
	// A restart says what was found too, but the review says it first.
	for _, review := range l.Reviews {
		if !review.Restart {
			words = fmt.Sprintf("crossed its line at case number %d; reviewed on %s: %s", l.CaseNumber,
				DayWords(review.ReviewedAt), PlainWords(review.Finding))
		}
	}
	if l.Restarted {
		words += "; the chart has begun again at zero since"
	}
	return words
}

// DayWords writes a day as "12 March 2026".
func DayWords(t time.Time) string { return t.Format("2 January 2006") }
