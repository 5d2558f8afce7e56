package simulate

import "time"

// The invented calendar: lists from Monday to Friday, from firstDay for
// workingDays days. It ends before the end of 2025 by more than the longest
// delay of an operation's late event; follow-up goes on until the spring.
const (
	workingDays = 490
	daySeconds  = 24 * 3600

	// Common practice, no source: an operation is booked 3 to 8 weeks ahead.
	shortestLead, longestLead = 21, 56

	// recordLead is how many days before an operation its first event may arrive,
	// with a margin for time zones: events older than that are complete.
	recordLead = longestLead + 2

	// Clinic rule: cancelled on the day 5 %.
	cancelledShare = 0.05
)

// bookingsPerDay is for a department with a share of one sixth: a full block
// reaches its operations about a week before the calendar's end.
const bookingsPerDay = float64(operationsPerBlock) / 6 / (1 - cancelledShare) / (workingDays - 6)

var firstDay = time.Date(2024, time.January, 8, 0, 0, 0, 0, time.UTC).Unix()

// calendarDays are the days with lists, as midnight UTC in Unix seconds. The
// turn of the year has none. Some more days follow, for blocks in which more
// operations than usual are cancelled.
var calendarDays = func() []int64 {
	var days []int64
	for day := firstDay; len(days) < workingDays+60; day += daySeconds {
		t := time.Unix(day, 0).UTC()
		weekend := t.Weekday() == time.Saturday || t.Weekday() == time.Sunday
		closed := t.Month() == time.December && t.Day() > 23 || t.Month() == time.January && t.Day() < 3
		if !weekend && !closed {
			days = append(days, day)
		}
	}
	return days
}()

func calendarDay(i int) int64 { return calendarDays[i] }
