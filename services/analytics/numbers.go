package analytics

import (
	"strconv"
	"strings"
	"time"
)

// Whole writes a number with a comma between thousands.
func Whole(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Plural writes "1 case" or "3 cases".
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Whole(n) + " " + many
}

// Decimal writes a number with a true minus sign; a zero has none.
func Decimal(x float64, places int) string {
	s := strconv.FormatFloat(x, 'f', places, 64)
	if rest, negative := strings.CutPrefix(s, "-"); negative {
		if strings.Trim(rest, "0.") == "" {
			return rest
		}
		return "−" + rest
	}
	return s
}

// PercentWords writes a proportion as "2.1 %".
func PercentWords(p float64) string { return Decimal(p*100, 1) + " %" }

// RatioWords writes an odds ratio as "twice" or "1.5 times".
func RatioWords(r float64) string {
	if s := Decimal(r, 1); s != "2.0" {
		return s + " times"
	}
	return "twice"
}

// DayWords writes a day as "12 March 2026".
func DayWords(t time.Time) string { return t.Format("2 January 2006") }

// dateWords writes a day of the wire as DayWords does; what is none stays.
func dateWords(day string) string {
	if t, err := time.Parse(time.DateOnly, day); err == nil {
		return DayWords(t)
	}
	return day
}

// SentenceWords puts a capital letter first.
func SentenceWords(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
