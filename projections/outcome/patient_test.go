package outcome

import (
	"fmt"
	"strings"
	"testing"
)

// What two operations of one patient show together is listed, and nothing else.
// Limits: common practice, no source.
func TestPatientChecks(t *testing.T) {
	yes, no := true, false
	eye := func(code, which string, day int, second *bool, length int64) patientEye {
		return patientEye{CaseCode: code, Patient: "P", Eye: which, OperatedOn: localDate(noon).AddDate(0, 0, day), SecondEye: second, AxialLengthUM: &length}
	}
	for name, test := range map[string]struct {
		a, b patientEye
		want string
	}{
		"first and second eye":        {eye("A", "right", 0, &no, 23000), eye("B", "left", 30, &yes, 23700), ""},
		"an eye operated twice":       {eye("A", "right", 0, &no, 23000), eye("B", "right", 30, &yes, 24000), SameEyeTwice},
		"both first":                  {eye("A", "right", 0, &no, 23000), eye("B", "left", 30, &no, 23000), EyeOrderDiffers},
		"both second":                 {eye("A", "right", 0, &yes, 23000), eye("B", "left", 30, &yes, 23000), EyeOrderDiffers},
		"order not said":              {eye("A", "right", 0, nil, 23000), eye("B", "left", 30, nil, 23000), ""},
		"both on one day":             {eye("A", "right", 0, &no, 23000), eye("B", "left", 0, &yes, 23000), SameDayBothEyes},
		"both on one day, both first": {eye("A", "right", 0, &no, 23000), eye("B", "left", 0, &no, 23000), SameDayBothEyes + " " + EyeOrderDiffers},
		"0.701 mm apart":              {eye("A", "right", 0, &no, 23000), eye("B", "left", 30, &yes, 23701), AxialLengthDiffers},
		"eye not known":               {eye("A", "", 0, &no, 23000), eye("B", "left", 30, &yes, 25000), ""},
	} {
		for order, eyes := range map[string][]patientEye{"in order": {test.a, test.b}, "turned round": {test.b, test.a}} {
			var codes []string
			for _, c := range patientChecks(eyes, test.b.OperatedOn, test.b.OperatedOn) {
				codes = append(codes, c.Code)
				if fmt.Sprint(c.Cases) != "[A B]" {
					t.Errorf("%s: cases %v", name, c.Cases)
				}
			}
			if got := strings.Join(codes, " "); got != test.want {
				t.Errorf("%s, %s: %q, want %q", name, order, got, test.want)
			}
		}
	}
	other := eye("B", "right", 30, &yes, 23000)
	other.Patient = "Q"
	if c := patientChecks([]patientEye{eye("A", "right", 0, &no, 23000), other}, other.OperatedOn, other.OperatedOn); len(c) != 0 {
		t.Errorf("two patients: %v", c)
	}
	if c := patientChecks([]patientEye{eye("A", "right", 0, &no, 23000), eye("B", "right", 30, &no, 23000)}, localDate(noon).AddDate(0, 0, 31), localDate(noon).AddDate(0, 0, 60)); len(c) != 0 {
		t.Errorf("outside the period: %v", c)
	}
}
