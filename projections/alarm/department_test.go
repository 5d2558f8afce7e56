package alarm

import (
	"strconv"
	"testing"
	"time"

	"lensledger/projections/measure"
)

// The lines of a department's charts keep the chance that ChosenBy states.
func TestDepartmentStandardsKeepTheirChances(t *testing.T) {
	for _, d := range DepartmentStandards() {
		exact, err := measure.NewDesign(measure.DesignRequest{Acceptable: d.Acceptable, Unacceptable: d.Unacceptable, FalseAlarmChance: 0.05, WithinCases: 1000})
		if err != nil || d.Threshold < exact.Threshold-1e-9 || d.Threshold > exact.Threshold+0.02 {
			t.Errorf("%s: threshold %.4f, needed %.4f %v", d.Code, d.Threshold, exact.Threshold, err)
		}
	}
}

func day(n int) time.Time { return time.Date(2025, 1, n, 0, 0, 0, 0, time.UTC) }

// watched is an uncomplicated first eye in the bag that sees 6/6, with a prediction
// error in thousandths of a dioptre.
func watched(n int, lens string, off int64) watchedEye {
	sees, no := int64(0), false
	return watchedEye{CaseCode: "K-" + strconv.Itoa(100+n), OperatedOn: day(n), LensModel: lens, SecondEye: &no,
		AfterHundredths: &sees, UncomplicatedInBag: true, ErrorThousandths: &off, VisualLoss: &no}
}

// A miss is more than 1.00 D either way; what is no point is counted by reason; the
// chart is parted by lens model; eyes after the line are provisional.
func TestDepartmentChart(t *testing.T) {
	yes := true
	second, complicated, unknown, poor := watched(4, "A", 2000), watched(5, "A", 2000), watched(6, "A", 0), watched(7, "A", 2000)
	second.SecondEye = &yes
	complicated.UncomplicatedInBag, complicated.Complications = false, []string{"iris-trauma"}
	unknown.ErrorThousandths, unknown.RefractionReason = nil, "no-refraction-in-window"
	low := int64(40)
	poor.AfterHundredths = &low
	eyes := []watchedEye{watched(3, "A", -1005), watched(1, "A", 1000), watched(2, "B", 1005), second, complicated, unknown, poor, watched(20, "A", 1001)}
	design, _ := departmentDesign("D", "refraction-miss", nil)
	// Refractions of days 28 to 120: on 20 May 2025 those of 19 January are complete.
	recorded := time.Date(2025, 5, 20, 10, 0, 0, 0, time.UTC)
	got := departmentCharts("D", ByLensModel, design, eyes, recorded)
	if len(got) != 2 || got[0].Group != "A" || got[1].Group != "B" {
		t.Fatalf("groups %+v", got)
	}
	a := got[0]
	if len(a.Points) != 2 || a.Points[0].Outcome != 0 || a.Points[1].Outcome != 1 || a.Events != 1 || len(a.Alarms) != 0 {
		t.Errorf("points %+v", a.Points)
	}
	if a.CompleteTo != "2025-01-19" || len(a.Provisional) != 1 || a.Provisional[0].CaseNumber != 3 {
		t.Errorf("complete to %s, provisional %+v", a.CompleteTo, a.Provisional)
	}
	want := map[string]int{"second-eye": 1, "complicated-or-not-in-bag": 1, "worse-than-6-12": 1, "no-refraction-in-window": 1}
	for reason, n := range want {
		if a.Excluded[reason] != n {
			t.Errorf("excluded %v, want %v", a.Excluded, want)
		}
	}
	all := departmentCharts("D", ByNothing, design, eyes, recorded)
	if len(all) != 1 || len(all[0].Points) != 3 || all[0].Code == a.Code {
		t.Errorf("all together %+v", all)
	}
	own := Design{Code: "own", Scope: "D", Department: "D", Outcome: "visual-loss", Kind: "detection"}
	if d, _ := departmentDesign("D", "visual-loss", []Design{own}); d.Code != "own" {
		t.Errorf("the department's own design isn't in force: %s", d.Code)
	}
	if _, ok := departmentDesign("D", "capsule-rupture", nil); ok {
		t.Error("a department has a chart of capsule rupture")
	}
}
