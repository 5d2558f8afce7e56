package alarm

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"lensledger/projections/learning"
)

func at(day int) time.Time { return time.Date(2025, 1, day, 9, 0, 0, 0, time.UTC) }

func entry(i int, rupture bool) learning.Entry {
	no := false
	return learning.Entry{CaseCode: "K-" + strconv.Itoa(1000+i), Surgeon: "S-1", Department: "D", StartedAt: at(1).Add(time.Duration(i) * time.Hour),
		Whole: true, Enters: true, OutcomeKnown: true, Rupture: rupture, TakenOver: &no, OddsRatioMillionths: 1_000_000}
}

// De Leval 1994 (data from r-cran-surveillance 1.20.3, deleval): 104 operations,
// nine deaths; chart with acceptable .02, unacceptable .05, no case mix, no
// restart: maximum 6.49088 at operation 68, first at or over 2.5 at 59.
func TestArterialSwitchSeries(t *testing.T) {
	deaths := map[int]bool{34: true, 53: true, 55: true, 59: true, 63: true, 64: true, 67: true, 68: true, 100: true}
	var entries []learning.Entry
	for i := 1; i <= 104; i++ {
		entries = append(entries, entry(i, deaths[i]))
	}
	d := Design{Code: "D", Outcome: "capsule-rupture", Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 2.5}
	c := Compute(learning.Surgeon{Surgeon: "S-1"}, d, entries, nil)
	best, where := 0.0, 0
	for i, p := range c.Points {
		if p.Value > best {
			best, where = p.Value, i+1
		}
	}
	if math.Abs(best-6.49088) > 5e-6 || where != 68 {
		t.Errorf("maximum %.5f at %d, published series gives 6.49088 at 68", best, where)
	}
	if got := c.Points[103].Value; math.Abs(got-6.319) > 5e-4 {
		t.Errorf("final value %.4f, want 6.319", got)
	}
	if len(c.Alarms) != 1 || c.Alarms[0].CaseNumber != 59 {
		t.Errorf("alarms %+v, want one at 59", c.Alarms)
	}
}

// Reference path computed in R from the formula of Steiner 2000: 500 risk-adjusted
// cases, odds ratio 2.
func TestRiskAdjustedScores(t *testing.T) {
	f, err := os.Open("../../testdata/reference/risk_adjusted_cusum.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	value := 0.0
	for _, row := range rows[1:] {
		p, _ := strconv.ParseFloat(row[1], 64)
		want, _ := strconv.ParseFloat(row[4], 64)
		d := Design{Outcome: "capsule-rupture", Kind: "detection", Acceptable: p, Unacceptable: oddsTimes(p, 2), Threshold: 100}
		c := Compute(learning.Surgeon{}, d, []learning.Entry{entry(1, row[2] == "1")}, nil)
		value = math.Max(0, value+c.Points[0].Score)
		if math.Abs(value-want) > 1e-12 {
			t.Fatalf("case %s: %.15f, want %.15f", row[0], value, want)
		}
	}
}

// A restart begins at zero with the next operation; an alarm's code belongs to its
// stretch, and the chart climbs on until then.
func TestRestart(t *testing.T) {
	d := Design{Outcome: "capsule-rupture", Kind: "detection", Acceptable: 0.02, Unacceptable: 0.05, Threshold: 1.5}
	entries := []learning.Entry{entry(0, true), entry(1, true), entry(2, true), entry(4, true), entry(5, true)}
	c := Compute(learning.Surgeon{Surgeon: "S-1"}, d, entries, []time.Time{entries[2].StartedAt.Add(time.Minute)})
	if !c.Points[3].Restarted || c.Points[3].Value != c.Points[3].Score {
		t.Errorf("the case after the restart: %+v", c.Points[3])
	}
	if c.Points[2].Value <= c.Points[1].Value {
		t.Error("the chart did not climb on after its alarm")
	}
	if len(c.Alarms) != 2 || c.Alarms[0].Alarm != AlarmCode(c.Code, 1) || c.Alarms[1].Alarm != AlarmCode(c.Code, 2) ||
		c.Alarms[0].CaseCode != entries[1].CaseCode || c.Alarms[1].CaseCode != entries[4].CaseCode {
		t.Errorf("alarms %+v", c.Alarms)
	}
}

// What a chart leaves out is counted; beyond the cases it holds for it is closed;
// a case number counts whole cases, prior ones added.
func TestWhatEntersAChart(t *testing.T) {
	part, unknown, stopped := entry(1, false), entry(2, false), entry(3, false)
	part.Whole, part.Enters = false, false
	unknown.OutcomeKnown = false
	yes := true
	stopped.Whole, stopped.TakenOver = false, &yes
	entries := []learning.Entry{entry(0, false), part, unknown, stopped, entry(4, false), entry(5, true)}
	d := Design{Outcome: "unplanned-takeover", Kind: "competence", Acceptable: 0.1, Unacceptable: 0.3, Threshold: 9, ClosesAfter: 3}
	c := Compute(learning.Surgeon{Surgeon: "S-1", PriorWhole: 40}, d, entries, nil)
	if c.Part != 1 || c.LeftOut != 1 || !c.Closed || len(c.Points) != 3 || c.Events != 1 {
		t.Errorf("part %d, left out %d, closed %v, points %d, events %d", c.Part, c.LeftOut, c.Closed, len(c.Points), c.Events)
	}
	for i, want := range []int{41, 42, 43} {
		if got := c.Points[i].CaseNumber; got != want {
			t.Errorf("point %d has case number %d, want %d", i, got, want)
		}
	}
}
