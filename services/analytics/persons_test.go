package analytics

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"lensledger/events"
)

// of is an event of the department's record system, its data as it goes over the
// wire.
func of(t testing.TB, subject, id, noun string, at time.Time, data string) events.Event {
	t.Helper()
	e, problems := events.DecodeStructured([]byte(fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":"ehr-harbour","type":"lensledger.%s.v1","subject":%q,"department":"HARBOUR","time":%q,"data":%s}`,
		subject+"-"+id, noun, subject, at.Format(time.RFC3339), data)))
	if len(problems) > 0 {
		t.Fatalf("%s %s: %v", noun, data, problems)
	}
	return e
}

// stepped is a whole operation, its capsulorhexis of some seconds.
func stepped(t testing.TB, code, surgeon string, at time.Time, seconds int) []events.Event {
	after := func(s int) time.Time { return at.Add(time.Duration(s) * time.Second) }
	return []events.Event{
		of(t, code, "start", "case.started", at, `{"first_operator":"`+surgeon+`","responsible_consultant":"S-002","supervision":"scrubbed"}`),
		of(t, code, "rhexis", "step.started", after(300), `{"step":"capsulorhexis","operator":"`+surgeon+`"}`),
		of(t, code, "rhexis-end", "step.finished", after(300+seconds), `{"step":"capsulorhexis"}`),
		of(t, code, "end", "case.finished", after(1800), `{}`),
	}
}

// followedEye is an operation with a prediction of -0.50 D for the implant, and
// the refraction that came of it.
func followedEye(t testing.TB, code string, at time.Time, model, sphere string) []events.Event {
	return []events.Event{
		of(t, code, "booked", "case.booked", at.AddDate(0, 0, -9), `{"patient":"P-`+code+`","eye":"left","first_or_second_eye":"first"}`),
		of(t, code, "plan", "lens.planned", at.AddDate(0, 0, -8), `{"formula":"F-1","target_refraction_d":-0.5,"candidates":[{"lens_model":"`+model+`","power_d":22,"predicted_refraction_d":-0.5}]}`),
		of(t, code, "start", "case.started", at, `{"first_operator":"S-001"}`),
		of(t, code, "lens", "lens.implanted", at.Add(10*time.Minute), `{"lens_model":"`+model+`","power_d":22,"site":"bag"}`),
		of(t, code, "end", "case.finished", at.Add(20*time.Minute), `{}`),
		of(t, code, "acuity", "followup.acuity", at.AddDate(0, 0, 40), `{"acuity":[{"correction":"corrected","logmar_hundredths":0}]}`),
		of(t, code, "refraction", "followup.refraction", at.AddDate(0, 0, 40), `{"refraction":{"sphere_d":`+sphere+`,"method":"subjective"}}`),
	}
}

// wholePath is one eye from booking to settled refraction.
func wholePath(t testing.TB, code string, at time.Time) []events.Event {
	after := func(days int) time.Time { return at.AddDate(0, 0, days).Add(time.Hour) }
	return slices.Concat(stepped(t, code, "S-014", at, 240), []events.Event{
		of(t, code, "booked", "case.booked", at.AddDate(0, 0, -30), `{"patient":"P-7","eye":"right","first_or_second_eye":"first"}`),
		of(t, code, "assessed", "preop.assessed", at.AddDate(0, 0, -20), `{"age_years":75,"sex":"male","acuity":[{"correction":"corrected","logmar_hundredths":60}],
			"keratometry":{"k1_d":43,"k1_axis_deg":0,"k2_d":44,"k2_axis_deg":90},"axial_length_um":23500,"white_cataract":false,"ocular_copathology":[]}`),
		of(t, code, "plan", "lens.planned", at.AddDate(0, 0, -19), `{"formula":"F-1","biometer":"B-1","constant":118.9,"target_refraction_d":-0.5,
			"candidates":[{"lens_model":"INVENTED-1","power_d":21.5,"predicted_refraction_d":-0.1},{"lens_model":"INVENTED-1","power_d":22,"predicted_refraction_d":-0.5}]}`),
		of(t, code, "incision", "incision.made", at.Add(time.Minute), `{"kind":"main","width_um":2200,"meridian_deg":90}`),
		of(t, code, "dye", "adjunct.used", at.Add(2*time.Minute), `{"kind":"capsule-dye","planned":true}`),
		of(t, code, "least", "measurement.taken", at.Add(10*time.Minute), `{"what":"rhexis-least-diameter","value_um":4800}`),
		of(t, code, "greatest", "measurement.taken", at.Add(10*time.Minute), `{"what":"rhexis-greatest-diameter","value_um":5400}`),
		of(t, code, "machine", "machine.read", at.Add(20*time.Minute), `{"machine":"M-1","ultrasound_time_ms":42000,"energy_index":7.25,"fluid_ml":80}`),
		of(t, code, "drug", "drug.given", at.Add(25*time.Minute), `{"drug":"cefuroxime","route":"intracameral","dose_ug":1000}`),
		of(t, code, "lens", "lens.implanted", at.Add(22*time.Minute), `{"lens_model":"INVENTED-1","power_d":22,"site":"bag","optic_um":6000}`),
		of(t, code, "note", "technique.noted", after(1), `{"step":"capsulorhexis","teaching_point":"rhexis-size","polarity":"improve","consequence":"capsule","by":"S-001"}`),
		of(t, code, "oedema", "followup.finding", after(1), `{"kind":"corneal-oedema"}`),
		of(t, code, "acuity", "followup.acuity", after(30), `{"acuity":[{"correction":"corrected","logmar_hundredths":-4},{"correction":"unaided","logmar_hundredths":12}]}`),
		of(t, code, "early", "followup.refraction", after(7), `{"refraction":{"sphere_d":0.5,"method":"subjective"}}`),
		of(t, code, "refraction", "followup.refraction", after(30), `{"refraction":{"sphere_d":-0.5,"cylinder_d":-0.5,"axis_deg":80,"method":"subjective"}}`),
		of(t, code, "keratometry", "followup.keratometry", after(30), `{"keratometry":{"k1_d":43.25,"k1_axis_deg":0,"k2_d":43.75,"k2_axis_deg":90}}`),
		of(t, code, "closed", "followup.closed", after(60), `{"reason":"discharged"}`),
	})
}

// personsScenario is invented: a trainee S-014 with 22 prior cases, five others at
// the same count, and a department with a few followed eyes.
func personsScenario(t testing.TB) []events.Event {
	enrol := func(surgeon, post string, prior int) events.Event {
		return of(t, surgeon, "enrol", "surgeon.enrolled", day(1, 7, 0).AddDate(-2, 0, 0), fmt.Sprintf(`{"post":%q,"prior_whole_cases":%d}`, post, prior))
	}
	es := []events.Event{enrol("S-001", "consultant", 4000), enrol("S-014", "specialist-registrar", 22),
		of(t, "HB-600", "booked", "case.booked", day(1, 9, 0), `{"patient":"P-600","eye":"left"}`)}
	for i := range 5 {
		surgeon := fmt.Sprintf("S-02%d", i+1)
		es = append(es, enrol(surgeon, "specialist-registrar", 22))
		es = append(es, stepped(t, "HB-02"+whole(uint64(i+1)), surgeon, day(10+i, 14, 0), 100+20*i)...)
		if i < 4 {
			at := day(10+i, 14, 12)
			es = append(es, of(t, "HB-02"+whole(uint64(i+1)), "sculpting", "step.started", at, `{"step":"sculpting","operator":"`+surgeon+`"}`),
				of(t, "HB-02"+whole(uint64(i+1)), "sculpting-end", "step.finished", at.Add(4*time.Minute), `{"step":"sculpting"}`))
		}
	}
	es = append(es, stepped(t, "HB-001", "S-014", day(2, 9, 0), 300)...)
	es = append(es, of(t, "HB-001", "note", "technique.noted", day(2, 10, 0), `{"step":"capsulorhexis","teaching_point":"rhexis-size","polarity":"improve","consequence":"capsule","by":"S-001"}`),
		of(t, "HB-001", "review", "case.reviewed", day(3, 8, 0), `{"trainer":"S-001","at_this_stage":"as","teaching_points":["rhexis-size"],"agreed_action":"Wet lab.","supervision_next":"scrubbed"}`))
	es = append(es, stepped(t, "HB-002", "S-014", day(4, 9, 0), 280)...)
	es = append(es, wholePath(t, "HB-500", day(6, 9, 0))...)
	for i, eye := range []struct{ model, sphere string }{{"INV-A", "-0.5"}, {"INV-A", "0.75"}, {"INV-A", "-0.5"}, {"INV-B", "-0.25"}, {"INV-B", "-1.5"}} {
		es = append(es, followedEye(t, "HB-70"+whole(uint64(i)), day(20+i, 9, 0), eye.model, eye.sphere)...)
	}
	return es
}

// TestPersons asks one registry what a trainer, a trainee and a quality officer
// ask about operations and those who did them. Its parts run in their order.
func TestPersons(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, personsScenario(t)...)
	t.Run("case", r.testWholePath)
	t.Run("progress", r.testProgress)
	t.Run("stage", r.testStage)
	t.Run("department charts", r.testDepartmentCharts)
	t.Run("case reviews", r.testCaseReviews)
	t.Run("logbook", r.testLogbook)
	t.Run("questions", r.testQuestions)
	t.Run("amended", r.testAmendedCase)
}
