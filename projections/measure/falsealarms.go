package measure

import "strconv"

// ChartInUse is a detection chart with its run length at acceptable performance
// and the number of cases that it gets in a year.
type ChartInUse struct {
	InControl  RunLength `json:"in_control"`
	CasesAYear float64   `json:"cases_a_year"`
}

// FalseAlarmsAYear is how many false alarms to expect in a year from all the
// charts together, were everybody's performance exactly as acceptable:
//
//	sum over charts of cases a year / average run length in control
//
// It holds for charts long in use that begin again at 0 after each alarm: their
// alarms are then a renewal process, whose mean number in n cases is n divided by
// the mean time between alarms. It needs no independence of the charts. A chart
// in its first year gives fewer; one that is left above its line after an alarm
// gives none until it is restarted.
//
// Source: the renewal theorem, as in Cox DR. Renewal theory. Methuen 1962 (from
// memory).
func FalseAlarmsAYear(charts []ChartInUse) (float64, error) {
	sum := 0.0
	for i, c := range charts {
		average := c.InControl.AverageRunLength
		if !(average >= 1 && finite(average)) {
			return 0, outside("average_run_length of chart "+strconv.Itoa(i+1), average, "1 or more")
		}
		if !(c.CasesAYear >= 0 && c.CasesAYear <= maxCases) {
			return 0, outside("cases_a_year of chart "+strconv.Itoa(i+1), c.CasesAYear, "0 to 1000000000")
		}
		sum += c.CasesAYear / average
	}
	return sum, nil
}
