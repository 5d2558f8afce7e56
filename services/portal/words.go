package portal

import (
	"fmt"
	"strings"
	"time"

	"lensledger/projections/alarm"
	"lensledger/projections/measure"
	"lensledger/services/analytics"
)

// caution stands on every page.
const caution = "For quality improvement only. Local governance and licensed practice decide. " +
	"Nothing here is a verdict on a person, and nothing here is for the care of a patient under treatment."

// Below wordsBelow cases a rate's interval is said in words too: it is wider than
// most readers expect.
const wordsBelow = 100

// rateWords is a rate as "3 of 142 (2.1 %, 95 % CI 0.4 to 6.0)"; without a rate,
// only the counts.
func rateWords(events, n int, rate *float64, interval *measure.Interval) string {
	switch {
	case n == 0:
		return "no cases"
	case rate == nil || interval == nil:
		return fmt.Sprintf("%s of %s (too few cases for a rate)", whole(events), whole(n))
	}
	out := fmt.Sprintf("%s of %s (%s, %s)", whole(events), whole(n), percent(*rate), intervalWords(*interval))
	if n < wordsBelow {
		out += fmt.Sprintf("; few cases: any rate from %s to %s in 100 fits these numbers", hundred(interval.Lower), hundred(interval.Upper))
	}
	return out
}

// fewWords stand once beside a table of rates, in place of the words at each.
var fewWords = fmt.Sprintf("Below %d cases the counts stand alone; from %d to %d the interval is wide, and any rate inside it fits these numbers.",
	alarm.FewCases, alarm.FewCases, wordsBelow-1)

// cellWords is a rate as it stands in a table.
func cellWords(events, n int, rate *float64, interval *measure.Interval) string {
	switch {
	case n == 0:
		return "none"
	case rate == nil || interval == nil:
		return fmt.Sprintf("%s of %s", whole(events), whole(n))
	}
	return fmt.Sprintf("%s of %s (%s, %s)", whole(events), whole(n), percent(*rate), intervalWords(*interval))
}

func intervalWords(i measure.Interval) string {
	return "95 % CI " + hundred(i.Lower) + " to " + hundred(i.Upper)
}

// percent is a proportion as "2.1 %".
func percent(p float64) string { return analytics.PercentWords(p) }

// chanceWords is a chance: a small one is never 0.
func chanceWords(p float64) string {
	if p > 0 && p < 0.0005 {
		return "less than 0.1 %"
	}
	return percent(p)
}

func hundred(p float64) string { return decimal(p*100, 1) }

// decimal writes a number with a true minus sign.
func decimal(x float64, places int) string { return analytics.Decimal(x, places) }

// signed is decimal with the sign always shown; nothing has none.
func signed(x float64, places int) string {
	s := decimal(x, places)
	if strings.HasPrefix(s, "−") || strings.Trim(s, "0.") == "" {
		return s
	}
	return "+" + s
}

// whole is a number with a comma between thousands.
func whole(n int) string { return analytics.Whole(n) }

// plural is "1 case" or "3 cases".
func plural(n int, one, many string) string { return analytics.Plural(n, one, many) }

// day is a date as "12 March 2026".
func day(t time.Time) string { return analytics.DayWords(t) }

// moment is a time as "12 March 2026, 10:41 UTC".
func moment(t time.Time) string { return t.UTC().Format("2 January 2006, 15:04") + " UTC" }

// clock is a time of day as sent, with its offset.
func clock(t time.Time) string { return t.Format("15:04:05 (UTC-07:00)") }

// length is a duration as "4 min 20 s".
func length(d time.Duration) string {
	d = d.Round(time.Second)
	if d < time.Minute {
		return fmt.Sprintf("%d s", int(d.Seconds()))
	}
	if d < time.Hour {
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

// list is "a, b and c".
func list(items []string) string {
	if len(items) < 2 {
		return strings.Join(items, "")
	}
	return strings.Join(items[:len(items)-1], ", ") + " and " + items[len(items)-1]
}

// sentence puts a capital letter first.
func sentence(s string) string { return analytics.SentenceWords(s) }
