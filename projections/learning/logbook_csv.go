package learning

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"time"
)

// LogbookColumns are the columns of LogbookCSV, which stay as they are. A yes or no
// that isn't known is empty; lists have spaces between.
var LogbookColumns = []string{"case", "case_number", "operated_on", "started_at", "department", "eye", "role", "whole", "supervision",
	"responsible_consultant", "steps", "taken_over", "capsule_rupture", "complications", "outcome_known", "acuity_before", "acuity_after",
	"refraction", "followup_closed", "excluded"}

// LogbookCSV gives cases of a logbook as a table of RFC 4180: a line of
// LogbookColumns, then one for each case. operated_on is the calendar date at the
// department, started_at a time with its offset.
func LogbookCSV(cases []LogbookCase) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	if err := w.Write(LogbookColumns); err != nil {
		return nil, err
	}
	for _, c := range cases {
		taken := ""
		if c.TakenOver != nil {
			taken = strconv.FormatBool(*c.TakenOver)
		}
		if err := w.Write([]string{asText(c.Case), strconv.Itoa(c.CaseNumber), c.OperatedOn, c.StartedAt.Format("2006-01-02T15:04:05-07:00"), asText(c.Department),
			asText(c.Eye), asText(c.Role), strconv.FormatBool(c.Whole), asText(c.Supervision), asText(c.ResponsibleConsultant), asText(strings.Join(c.Steps, " ")), taken,
			strconv.FormatBool(c.Rupture), asText(strings.Join(c.Complications, " ")), strconv.FormatBool(c.OutcomeKnown), asText(c.AcuityBefore),
			asText(c.AcuityAfter), asText(c.Refraction), asText(c.FollowupClosed), asText(c.Excluded)}); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return out.Bytes(), w.Error()
}

// asText keeps a spreadsheet from taking text for a formula: codes may begin with
// "-". Numbers and dates never come this way.
func asText(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// ParseDays reads the ends of a period of days, each of which may be empty.
func ParseDays(from, to string) (first, last time.Time, fault string) {
	read := func(text string) (time.Time, bool) {
		if text == "" {
			return time.Time{}, true
		}
		t, err := time.Parse(time.DateOnly, text)
		return t, err == nil
	}
	var ok bool
	if first, ok = read(from); !ok {
		return first, last, "from"
	}
	if last, ok = read(to); !ok {
		return first, last, "to"
	}
	if !first.IsZero() && !last.IsZero() && last.Before(first) {
		return first, last, "order"
	}
	return first, last, ""
}
