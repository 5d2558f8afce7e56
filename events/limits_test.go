package events

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

// Hard limits: common practice, no source. Both ends are stored, and what lies
// one unit beyond is refused at the field itself.
func TestHardLimits(t *testing.T) {
	candidate := `{"candidates":[{"lens_model":"m","power_d":20,"#":@}]}`
	for _, c := range []struct {
		typ                    Type
		data                   string // # is the field, @ the number
		field                  string
		below, least, most, up string
	}{
		{TypePreopAssessed, `{"#":@}`, "age_years", "-1", "0", "115", "116"},
		{TypePreopAssessed, `{"#":@}`, "axial_length_um", "13999", "14000", "40000", "40001"},
		{TypePreopAssessed, `{"#":@}`, "acd_um", "1199", "1200", "6000", "6001"},
		{TypeLensPlanned, `{"#":@}`, "constant", "-10.000001", "-10", "130", "130.000001"},
		{TypeLensPlanned, `{"#":@}`, "target_refraction_d", "-20.01", "-20", "15", "15.01"},
		{TypeLensPlanned, candidate, "predicted_refraction_d", "-20.01", "-20", "15", "15.01"},
		{TypeLensPlanned, candidate, "cylinder_d", "-0.01", "0", "20", "20.01"},
		{TypeLensPlanned, candidate, "axis_deg", "-1", "0", "180", "181"},
		{TypeLensPlanned, `{"candidates":[{"lens_model":"m","#":@}]}`, "power_d", "-20.25", "-20", "60", "60.25"},
		{TypeLensPlanned, `{"candidates":[{"lens_model":"m","#":@}]}`, "power_d", "19.1", "19", "19.75", "19.8"},
		{TypeIncisionMade, `{"kind":"main","#":@}`, "width_um", "799", "800", "14000", "14001"},
		{TypeIncisionMade, `{"kind":"side-port","#":@}`, "width_um", "299", "300", "3000", "3001"},
		{TypeIncisionMade, `{"kind":"main","#":@}`, "meridian_deg", "-1", "0", "180", "181"},
		{TypeAdjunctUsed, `{"kind":"suture","#":@}`, "count", "0", "1", "20", "21"},
		{TypeMeasurementTaken, `{"what":"rhexis-least-diameter","#":@}`, "value_um", "1999", "2000", "10000", "10001"},
		{TypeMeasurementTaken, `{"what":"rhexis-greatest-diameter","#":@}`, "value_um", "1999", "2000", "10000", "10001"},
		{TypeMeasurementTaken, `{"what":"pupil","#":@}`, "value_um", "499", "500", "11000", "11001"},
		{TypeMachineRead, `{"#":@}`, "ultrasound_time_ms", "-1", "0", "900000", "900001"},
		{TypeMachineRead, `{"machine":"m","#":@}`, "energy_index", "-0.01", "0", "300", "300.01"},
		{TypeMachineRead, `{"#":@}`, "fluid_ml", "-1", "0", "1000", "1001"},
		{TypeDrugGiven, `{"drug":"d","#":@}`, "dose_ug", "0", "1", "10000000", "10000001"},
		{TypeTechniqueNoted, `{"teaching_point":"p","polarity":"improve","#":@}`, "recording_offset_ms", "-1", "0", "86400000", "86400001"},
		{TypeLensImplanted, `{"#":@}`, "optic_um", "4499", "4500", "7500", "7501"},
		{TypeFollowupAcuity, `{"acuity":[{"correction":"pinhole","#":@}]}`, "logmar_hundredths", "-31", "-30", "170", "171"},
		{TypeFollowupRefraction, `{"refraction":{"#":@}}`, "sphere_d", "-40.01", "-40", "30", "30.01"},
		{TypeFollowupRefraction, `{"refraction":{"sphere_d":0,"#":@}}`, "cylinder_d", "-15.01", "-15", "15", "15.01"},
		{TypeFollowupRefraction, `{"refraction":{"sphere_d":0,"#":@}}`, "axis_deg", "-1", "0", "180", "181"},
		{TypeFollowupKeratometry, `{"keratometry":{"k2_d":40,"#":@}}`, "k1_d", "24.99", "25", "75", "75.01"},
		{TypeFollowupKeratometry, `{"keratometry":{"k1_d":40,"#":@}}`, "k2_d", "24.99", "25", "75", "75.01"},
		{TypeFollowupFinding, `{"kind":"raised-pressure","#":@}`, "pressure_mmhg", "-1", "0", "90", "91"},
		{TypeFiguresReleased, `{"from":"2025-01-01","to":"2025-01-01","definition":"1","sha256":"` + strings.Repeat("0f", 32) + `","#":@}`,
			"position", "0", "1", "9007199254740991", "9007199254740992"},
	} {
		body := func(number string) []byte {
			return []byte(structured(c.typ, strings.NewReplacer("#", c.field, "@", number).Replace(c.data)))
		}
		for _, number := range []string{c.least, c.most} {
			if _, problems := DecodeStructured(body(number)); len(problems) > 0 {
				t.Errorf("%s %s %s: %v", c.typ, c.field, number, problems)
			}
		}
		for _, number := range []string{c.below, c.up} {
			_, problems := DecodeStructured(body(number))
			if len(problems) != 1 || problems[0].Code != CodeOutOfRange || !strings.HasSuffix(problems[0].Pointer, "/"+c.field) {
				t.Errorf("%s %s %s: %v", c.typ, c.field, number, problems)
			}
		}
	}
}

// Each required field of the types beyond the operation is missed by name.
func TestRequiredFields(t *testing.T) {
	for typ, want := range map[Type][]string{
		TypeSurgeonMoved:        {"/data/department", "/data/from_on"},
		TypeLensPlanned:         nil,
		TypeIncisionMade:        {"/data/kind"},
		TypeAdjunctUsed:         {"/data/kind"},
		TypeMeasurementTaken:    {"/data/what", "/data/value_um"},
		TypeMachineRead:         nil,
		TypeDrugGiven:           {"/data/drug"},
		TypeTechniqueNoted:      {"/data/teaching_point", "/data/polarity"},
		TypeFollowupAcuity:      {"/data/acuity"},
		TypeFollowupRefraction:  {"/data/refraction"},
		TypeFollowupKeratometry: {"/data/keratometry"},
		TypeFollowupFinding:     {"/data/kind"},
		TypeFollowupClosed:      {"/data/reason"},
		TypeCaseReviewed:        {"/data/trainer"},
		TypeAlarmAcknowledged:   {"/data/alarm", "/data/by"},
		TypeAlarmAssigned:       {"/data/alarm", "/data/owner", "/data/due_on", "/data/by"},
		TypeFiguresReleased:     {"/data/from", "/data/to", "/data/definition", "/data/position", "/data/sha256"},
	} {
		_, problems := DecodeStructured([]byte(structured(typ, `{}`)))
		var got []string
		for _, p := range problems {
			if p.Code != CodeMissing {
				t.Errorf("%s: %v", typ, p)
			}
			got = append(got, p.Pointer)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: missing %v, want %v", typ, got, want)
		}
	}
}

// The words that others count by. Steps and findings: common practice, no source.
func TestWords(t *testing.T) {
	for typ, list := range map[Type]struct {
		data  string // @ is the word
		words string
	}{
		TypeFollowupFinding: {`{"kind":"@"}`, "corneal-oedema cystoid-macular-oedema endophthalmitis raised-pressure detachment return-to-theatre " +
			"unplanned-attendance posterior-capsule-opacification wound-leak iris-prolapse retained-lens-matter uveitis other"},
		TypeTechniqueNoted: {`{"teaching_point":"p","polarity":"improve","consequence":"@"}`,
			"cosmetic refractive capsule infection endothelium iris zonule wound-leak visibility comfort none"},
		TypeAdjunctUsed:    {`{"kind":"@"}`, "capsule-dye iris-hooks pupil-ring capsular-tension-ring suture"},
		TypeFollowupClosed: {`{"reason":"@"}`, "discharged died moved"},
		TypeCaseReviewed:   {`{"trainer":"S-1","at_this_stage":"@"}`, "above as below"},
		TypeFollowupAcuity: {`{"acuity":[{"correction":"corrected","low_vision":"hand-movements","convention":"@"}]}`, "A B C D"},
		TypeChartDesigned: {`{"outcome":"@","kind":"competence","scope":"trainees","acceptable":0.1,"unacceptable":0.3,"threshold":4.28}`,
			"capsule-rupture unplanned-takeover refraction-miss visual-loss step:capsulorhexis step:sculpting step:cracking " +
				"step:segment-removal step:cortex-aspiration step:lens-insertion step:draping step:antibiotic"},
	} {
		for _, word := range strings.Fields(list.words) {
			if _, problems := DecodeStructured([]byte(structured(typ, strings.Replace(list.data, "@", word, 1)))); len(problems) > 0 {
				t.Errorf("%s %s: %v", typ, word, problems)
			}
		}
	}
	for _, certainty := range []string{"presumed", "culture-proven"} {
		if _, problems := DecodeStructured([]byte(structured(TypeFollowupFinding, `{"kind":"endophthalmitis","certainty":"`+certainty+`"}`))); len(problems) > 0 {
			t.Errorf("%s: %v", certainty, problems)
		}
	}
}

func TestStepOutcomes(t *testing.T) {
	for _, s := range StepOrder {
		o := StepOutcome(s)
		if back, ok := o.Step(); !ok || back != s || string(o) != "step:"+string(s) {
			t.Errorf("%s: %s, %v", o, back, ok)
		}
	}
	for _, o := range []Outcome{OutcomeCapsuleRupture, OutcomeUnplannedTakeover, OutcomeRefractionMiss, OutcomeVisualLoss, ""} {
		if s, ok := o.Step(); ok {
			t.Errorf("%q is of the step %q", o, s)
		}
	}
	for _, s := range CriticalSteps {
		if !slices.Contains(StepOrder, s) {
			t.Errorf("%s is no step", s)
		}
	}
}

// Plus cylinder is kept as written, a meridian of 180 degrees is 0, and a
// release's subject is called a release.
func TestAsWritten(t *testing.T) {
	plus := decoded(t, structured(TypeFollowupRefraction, `{"refraction":{"sphere_d":-3.75,"cylinder_d":1.25,"axis_deg":12}}`))
	if r := plus.Data.(*FollowupRefraction).Refraction; r.SphereD != -375 || r.CylinderD != Some(Hundredths(125)) || r.AxisDeg != Some(int64(12)) {
		t.Errorf("plus cylinder: %+v", r)
	}
	main := decoded(t, structured(TypeIncisionMade, `{"kind":"main","meridian_deg":180}`)).Data.(*IncisionMade)
	if main.MeridianDeg != Some(int64(0)) || main.WidthUM.Known {
		t.Errorf("meridian 180: %+v", main)
	}
	for typ, want := range map[Type]string{TypeFiguresReleased: "code of the release", TypeChartDesigned: "code of the chart", TypeSurgeonMoved: "code of the surgeon"} {
		var schema struct {
			Properties struct{ Subject struct{ Description string } }
		}
		text, _ := Schema(typ)
		if err := json.Unmarshal(text, &schema); err != nil || schema.Properties.Subject.Description != want {
			t.Errorf("%s: subject %q, %v", typ, schema.Properties.Subject.Description, err)
		}
	}
}
