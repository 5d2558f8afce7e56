package learning

import (
	"encoding/csv"
	"strings"
	"testing"
	"time"
)

// A spreadsheet takes no text for a formula, and numbers, dates and times stay as
// they are.
func TestLogbookFile(t *testing.T) {
	zone := time.FixedZone("", 3600)
	got, err := LogbookCSV([]LogbookCase{{Case: "-1", CaseNumber: 12, OperatedOn: "2025-03-12", StartedAt: time.Date(2025, 3, 12, 10, 2, 11, 0, zone),
		Department: "=HARBOUR", Eye: "left", Steps: []string{"capsulorhexis", "sculpting"}, Excluded: "@x"}, {Case: "K,\"2\"", StartedAt: noon, ResponsibleConsultant: "+4"}})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(got))).ReadAll()
	if err != nil || len(rows) != 3 || len(rows[1]) != len(LogbookColumns) || !strings.HasSuffix(string(got), "\r\n") {
		t.Fatalf("%v %q", err, got)
	}
	for column, want := range map[string]string{"case": "'-1", "case_number": "12", "operated_on": "2025-03-12", "started_at": "2025-03-12T10:02:11+01:00", "department": "'=HARBOUR",
		"eye": "left", "steps": "capsulorhexis sculpting", "taken_over": "", "whole": "false", "excluded": "'@x"} {
		for i, name := range LogbookColumns {
			if name == column && rows[1][i] != want {
				t.Errorf("%s is %q, want %q", column, rows[1][i], want)
			}
		}
	}
	if rows[2][0] != `K,"2"` || rows[2][9] != "'+4" {
		t.Errorf("%q", rows[2])
	}
}

// Lately is in the latest ten cases: what was done under less supervision before
// them, or was handed over, doesn't count.
func TestLately(t *testing.T) {
	var cases []did
	for range 3 {
		cases = append(cases, did{4, false, true}) // no supervisor, long ago
	}
	for range 6 {
		cases = append(cases, did{1, false, true}) // scrubbed
	}
	cases = append(cases, did{2, false, true}, did{3, true, true}, did{-1, false, true}, did{4, false, false})
	// The latest ten: six scrubbed, one in theatre, one on site but handed over, one
	// without its supervision, one of which the hand-over isn't known.
	if got, want := latelyOf(cases), (Lately{Supervision: "in-theatre", Cases: 10, Failed: 1, Unknown: 2}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := latelyOf(nil); got != (Lately{}) {
		t.Errorf("%+v", got)
	}
	if got := latelyOf([]did{{0, false, true}}); got.Supervision != "operating" {
		t.Errorf("%+v", got)
	}
}

func TestParseDays(t *testing.T) {
	for _, c := range []struct{ from, to, fault string }{{"", "", ""}, {"2025-01-01", "", ""}, {"", "2025-01-01", ""}, {"2025-01-01", "2025-01-01", ""},
		{"2025-01-02", "2025-01-01", "order"}, {"2025-02-30", "", "from"}, {"", "today", "to"}} {
		if _, _, fault := ParseDays(c.from, c.to); fault != c.fault {
			t.Errorf("%q to %q: %q, want %q", c.from, c.to, fault, c.fault)
		}
	}
}
