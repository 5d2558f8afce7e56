package events

import (
	"slices"
	"testing"
)

// Confirm limits: common practice, no source.
func TestConfirmations(t *testing.T) {
	preop := func(data string) string { return structured(TypePreopAssessed, data) }
	lens := func(data string) string { return structured(TypeLensImplanted, data) }
	plan := func(data string) string { return structured(TypeLensPlanned, data) }
	k := func(k1, a1, k2, a2 string) string {
		return preop(`{"keratometry":{"k1_d":` + k1 + `,"k1_axis_deg":` + a1 + `,"k2_d":` + k2 + `,"k2_axis_deg":` + a2 + `}}`)
	}
	for _, c := range []struct {
		name, body string
		want       []string // pointer and detail
	}{
		{"nothing known", preop(`{}`), nil},
		{"edges", preop(`{"age_years":40,"axial_length_um":21200,"acd_um":4200,"refraction":{"sphere_d":-12,"cylinder_d":3}}`), nil},
		{"age", preop(`{"age_years":39}`), []string{"/data/age_years age_years: found 39, usual 40 to 98"}},
		{"short eye", preop(`{"axial_length_um":21199}`), []string{"/data/axial_length_um axial_length_um: found 21199, usual 21200 to 26600"}},
		{"35 mm eye", preop(`{"axial_length_um":35000}`), []string{"/data/axial_length_um axial_length_um: found 35000, usual 21200 to 26600"}},
		{"chamber", preop(`{"acd_um":2399}`), []string{"/data/acd_um acd_um: found 2399, usual 2400 to 4200"}},
		{"cylinder of refraction", preop(`{"refraction":{"sphere_d":1,"cylinder_d":-3.25}}`), []string{"/data/refraction/cylinder_d cylinder_d: found -3.25, usual -3 to 3"}},
		{"sphere", preop(`{"refraction":{"sphere_d":8.25}}`), []string{"/data/refraction/sphere_d sphere_d: found 8.25, usual before the operation -12 to 8"}},

		{"keratometry at its edges", k("42.25", "0", "44.75", "95"), nil},
		{"axes across 180", k("43", "175", "44", "85"), nil},
		{"axes 180 and 90", k("43", "180", "44", "90"), nil},
		{"axes unknown", k("43", "null", "44", "90"), nil},
		{"steep mean", k("47", "0", "47.01", "90"), []string{"/data/keratometry keratometry: found a mean of 47.005 D, usual 41 to 47"}},
		{"flat mean", k("40.5", "0", "41.49", "90"), []string{"/data/keratometry keratometry: found a mean of 40.995 D, usual 41 to 47"}},
		{"corneal cylinder", k("42", "0", "44.51", "90"), []string{"/data/keratometry keratometry: found a cylinder of 2.51 D, usual up to 2.5"}},
		{"axes not apart", k("43", "10", "44", "94"), []string{"/data/keratometry/k2_axis_deg k2_axis_deg: found 84 degrees from k1_axis_deg, usual 85 to 95"}},
		{"axes equal but for a turn", k("43", "2", "44", "179"), []string{"/data/keratometry/k2_axis_deg k2_axis_deg: found 3 degrees from k1_axis_deg, usual 85 to 95"}},

		{"corrected as much as 10 worse", preop(`{"acuity":[{"correction":"unaided","logmar_hundredths":20},{"correction":"corrected","logmar_hundredths":30}]}`), nil},
		{"pinhole 11 worse", preop(`{"acuity":[{"correction":"pinhole","logmar_hundredths":31},{"correction":"unaided","logmar_hundredths":20}]}`),
			[]string{"/data/acuity/0 acuity: found pinhole acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10"}},
		{"best unaided counts", preop(`{"acuity":[{"correction":"unaided","logmar_hundredths":40},{"correction":"unaided","logmar_hundredths":0},{"correction":"corrected","logmar_hundredths":20}]}`),
			[]string{"/data/acuity/2 acuity: found corrected acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10"}},
		{"code worse than number", preop(`{"acuity":[{"correction":"unaided","logmar_hundredths":170},{"correction":"corrected","low_vision":"counting-fingers","convention":"A"}]}`),
			[]string{"/data/acuity/1 acuity: found corrected acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10"}},
		{"code better than code", preop(`{"acuity":[{"correction":"unaided","low_vision":"light-perception","convention":"A"},{"correction":"corrected","low_vision":"counting-fingers","convention":"A"}]}`), nil},
		{"no unaided", preop(`{"acuity":[{"correction":"corrected","logmar_hundredths":170}]}`), nil},

		{"usual implant", lens(`{"power_d":22.5,"optic_um":6000}`), nil},
		{"power 0", lens(`{"power_d":0}`), []string{"/data/power_d power_d: found 0, usual 10 to 30"}},
		{"power negative", lens(`{"power_d":-5}`), []string{"/data/power_d power_d: found -5, usual 10 to 30"}},
		{"optic", lens(`{"optic_um":5499}`), []string{"/data/optic_um optic_um: found 5499, usual 5500 to 6500"}},
		{"implant cylinder", lens(`{"cylinder_d":6.01,"axis_deg":3}`), []string{"/data/cylinder_d cylinder_d: found 6.01, usual 0 to 6"}},
		{"toric without axis", lens(`{"cylinder_d":2.25}`), []string{"/data/axis_deg axis_deg: missing, usual with a cylinder of 2.25 D"}},
		{"axis without cylinder", lens(`{"cylinder_d":0,"axis_deg":0}`), []string{"/data/cylinder_d cylinder_d: found 0 or nothing beside axis_deg, usual more than 0 with an axis"}},
		{"toric model without cylinder", lens(`{"lens_model":"Invented Toric 3"}`), []string{`/data/cylinder_d cylinder_d: found 0 or nothing for the toric model "Invented Toric 3", usual more than 0`}},
		{"toric", lens(`{"lens_model":"Invented Toric 3","cylinder_d":1,"axis_deg":180}`), nil},

		{"usual plan", plan(`{"target_refraction_d":-3,"candidates":[{"lens_model":"m","power_d":10,"predicted_refraction_d":-2.5},{"lens_model":"m","power_d":30,"predicted_refraction_d":0.5}]}`), nil},
		{"no prediction near the target", plan(`{"target_refraction_d":-0.25,"candidates":[{"lens_model":"m","power_d":20,"predicted_refraction_d":-1.2},{"lens_model":"m","power_d":21},{"lens_model":"m","power_d":22,"predicted_refraction_d":-0.76}]}`),
			[]string{"/data/candidates/2/predicted_refraction_d predicted_refraction_d: found -0.76, the nearest to target_refraction_d -0.25, usual within 0.5"}},
		{"prediction above the target", plan(`{"target_refraction_d":-0.25,"candidates":[{"lens_model":"m","power_d":20,"predicted_refraction_d":0.26}]}`),
			[]string{"/data/candidates/0/predicted_refraction_d predicted_refraction_d: found 0.26, the nearest to target_refraction_d -0.25, usual within 0.5"}},
		{"prediction without a target", plan(`{"candidates":[{"lens_model":"m","power_d":20,"predicted_refraction_d":-2}]}`), nil},
		{"target without a prediction", plan(`{"target_refraction_d":0.5,"candidates":[{"lens_model":"m","power_d":20}]}`), nil},
		{"target and candidate", plan(`{"target_refraction_d":-3.01,"candidates":[{"lens_model":"m","power_d":30.25,"cylinder_d":6.01,"axis_deg":0,"predicted_refraction_d":-3.02}]}`), []string{
			"/data/target_refraction_d target_refraction_d: found -3.01, usual -3 to 0.5", "/data/candidates/0/power_d power_d: found 30.25, usual 10 to 30",
			"/data/candidates/0/cylinder_d cylinder_d: found 6.01, usual 0 to 6", "/data/candidates/0/predicted_refraction_d predicted_refraction_d: found -3.02, usual -3 to 0.5"}},
		{"planned toric without axis", plan(`{"candidates":[{"lens_model":"m","power_d":20},{"lens_model":"m","power_d":20,"cylinder_d":1.5}]}`),
			[]string{"/data/candidates/1/axis_deg axis_deg: missing, usual with a cylinder of 1.5 D"}},
		{"planned toric model with 0", plan(`{"candidates":[{"lens_model":"Toric","power_d":20,"cylinder_d":0}]}`),
			[]string{`/data/candidates/0/cylinder_d cylinder_d: found 0 or nothing for the toric model "Toric", usual more than 0`}},

		{"main incision at its edge", structured(TypeIncisionMade, `{"kind":"main","width_um":3200}`), nil},
		{"wide main incision", structured(TypeIncisionMade, `{"kind":"main","width_um":3201}`), []string{"/data/width_um width_um: found 3201, usual 1800 to 3200 for main"}},
		{"narrow main incision", structured(TypeIncisionMade, `{"kind":"main","width_um":1799}`), []string{"/data/width_um width_um: found 1799, usual 1800 to 3200 for main"}},
		{"side port at its edge", structured(TypeIncisionMade, `{"kind":"side-port","width_um":600}`), nil},
		{"wide side port", structured(TypeIncisionMade, `{"kind":"side-port","width_um":1401}`), []string{"/data/width_um width_um: found 1401, usual 600 to 1400 for side-port"}},
		{"incision of unknown width", structured(TypeIncisionMade, `{"kind":"main"}`), nil},
		{"rhexis at its edge", structured(TypeMeasurementTaken, `{"what":"rhexis-greatest-diameter","value_um":5800}`), nil},
		{"small rhexis", structured(TypeMeasurementTaken, `{"what":"rhexis-least-diameter","value_um":4499}`), []string{"/data/value_um value_um: found 4499, usual 4500 to 5800 for rhexis-least-diameter"}},
		{"large rhexis", structured(TypeMeasurementTaken, `{"what":"rhexis-greatest-diameter","value_um":5801}`), []string{"/data/value_um value_um: found 5801, usual 4500 to 5800 for rhexis-greatest-diameter"}},
		{"small pupil", structured(TypeMeasurementTaken, `{"what":"pupil","value_um":4999}`), []string{"/data/value_um value_um: found 4999, usual 5000 to 11000 for pupil"}},
		{"machine at its edges", structured(TypeMachineRead, `{"machine":"m","ultrasound_time_ms":150000,"energy_index":40,"fluid_ml":20}`), nil},
		{"machine", structured(TypeMachineRead, `{"machine":"m","ultrasound_time_ms":150001,"energy_index":40.01,"fluid_ml":201}`), []string{
			"/data/ultrasound_time_ms ultrasound_time_ms: found 150001, usual 0 to 150000", "/data/energy_index energy_index: found 40.01, usual 0 to 40", "/data/fluid_ml fluid_ml: found 201, usual 20 to 200"}},

		{"acuity after", structured(TypeFollowupAcuity, `{"acuity":[{"correction":"unaided","logmar_hundredths":20},{"correction":"pinhole","logmar_hundredths":31}]}`),
			[]string{"/data/acuity/1 acuity: found pinhole acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10"}},
		{"refraction after, at its edges", structured(TypeFollowupRefraction, `{"refraction":{"sphere_d":-4,"cylinder_d":3}}`), nil},
		{"refraction after", structured(TypeFollowupRefraction, `{"refraction":{"sphere_d":2.25,"cylinder_d":3.25}}`), []string{
			"/data/refraction/cylinder_d cylinder_d: found 3.25, usual -3 to 3", "/data/refraction/sphere_d sphere_d: found 2.25, usual after the operation -4 to 2"}},
		{"keratometry after", structured(TypeFollowupKeratometry, `{"keratometry":{"k1_d":42,"k1_axis_deg":0,"k2_d":44.51,"k2_axis_deg":84}}`), []string{
			"/data/keratometry keratometry: found a cylinder of 2.51 D, usual up to 2.5", "/data/keratometry/k2_axis_deg k2_axis_deg: found 84 degrees from k1_axis_deg, usual 85 to 95"}},
		{"pressure at its edge", structured(TypeFollowupFinding, `{"kind":"raised-pressure","pressure_mmhg":30}`), nil},
		{"pressure", structured(TypeFollowupFinding, `{"kind":"raised-pressure","pressure_mmhg":31}`), []string{"/data/pressure_mmhg pressure_mmhg: found 31, usual 6 to 30"}},

		{"in an amendment", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.lens.implanted.v1","data":{"power_d":-5}}`),
			[]string{"/data/data/power_d power_d: found -5, usual 10 to 30"}},
		{"in an amendment of a measurement", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.measurement.taken.v1","data":{"what":"pupil","value_um":3000}}`),
			[]string{"/data/data/value_um value_um: found 3000, usual 5000 to 11000 for pupil"}},
		{"a type without limits", exampleEvent, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var got []string
			for _, p := range decoded(t, c.body).Confirmations() {
				if p.Code != CodeConfirm {
					t.Errorf("code %s", p.Code)
				}
				got = append(got, p.Pointer+" "+p.Detail)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
	if got := (Event{}).Confirmations(); got != nil {
		t.Errorf("without data: %v", got)
	}
}
