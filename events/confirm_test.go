package events

import (
	"slices"
	"testing"
)

// Confirm limits: common practice, no source.
func TestConfirmations(t *testing.T) {
	preop := func(data string) string { return structured(TypePreopAssessed, data) }
	lens := func(data string) string { return structured(TypeLensImplanted, data) }
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
		{"code worse than number", preop(`{"acuity":[{"correction":"unaided","logmar_hundredths":170},{"correction":"corrected","low_vision":"counting-fingers","convention":"x"}]}`),
			[]string{"/data/acuity/1 acuity: found corrected acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10"}},
		{"code better than code", preop(`{"acuity":[{"correction":"unaided","low_vision":"light-perception","convention":"x"},{"correction":"corrected","low_vision":"counting-fingers","convention":"x"}]}`), nil},
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

		{"in an amendment", structured(TypeEventAmended, `{"target_source":"a","target_id":"b","target_type":"lensledger.lens.implanted.v1","data":{"power_d":-5}}`),
			[]string{"/data/data/power_d power_d: found -5, usual 10 to 30"}},
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
