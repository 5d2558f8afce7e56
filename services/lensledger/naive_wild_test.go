package main

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"lensledger/events/stream"
)

// wildRecord writes operations with the whole path of the eye, recorded in every
// odd way: what the demo seldom or never does.
type wildRecord struct{ oddRecord }

// pick gives one of some JSON texts.
func (o *wildRecord) pick(values ...string) string { return values[o.IntN(len(values))] }

// list gives a JSON list of up to n made texts.
func (o *wildRecord) list(least, n int, made func() string) string {
	text := ""
	for range least + o.IntN(n-least+1) {
		text += made() + ","
	}
	if text != "" {
		text = text[:len(text)-1]
	}
	return "[" + text + "]"
}

func (o *wildRecord) acuity() string {
	return o.list(1, 3, func() string {
		value := fmt.Sprintf(`"logmar_hundredths":%d,`, []int{-10, 0, 1, 10, 20, 30, 0, 10, 20, 30, 31, 50, 60, 100, 160, 170}[o.IntN(16)])
		if o.chance(.07) {
			value = o.pick(`"low_vision":"counting-fingers","convention":"A",`, `"low_vision":"counting-fingers","convention":"B",`,
				`"low_vision":"hand-movements","convention":"A",`, `"low_vision":"hand-movements","convention":"C",`,
				`"low_vision":"light-perception","convention":"D",`, `"low_vision":"no-light-perception","convention":"B",`)
		}
		return object(`"correction":`+o.pick(`"unaided"`, `"corrected"`, `"corrected"`, `"pinhole"`)+`,`, value)
	})
}

func (o *wildRecord) keratometry() string {
	power := func() string { return fmt.Sprintf("%.2f", 42+float64(o.IntN(12))/4) }
	axis := func(name string) string {
		if o.chance(.1) {
			return ""
		}
		return fmt.Sprintf(`"%s":%d,`, name, o.IntN(181))
	}
	return object(`"k1_d":`+power()+`,`, axis("k1_axis_deg"), `"k2_d":`+power()+`,`, axis("k2_axis_deg"))
}

func (o *wildRecord) assessedEye() string {
	members := []string{o.maybe("glaucoma", "true", "false", "false"), o.maybe("diabetic_retinopathy", "true", "false", "false"),
		o.maybe("ocular_copathology", "[]", "[]", `["amblyopia"]`, `["glaucoma","uveitis"]`), o.maybe("axial_length_um", "23000")}
	if o.chance(.8) {
		members = append(members, `"acuity":`+o.acuity()+`,`)
	}
	if o.chance(.7) {
		members = append(members, `"keratometry":`+o.keratometry()+`,`)
	}
	return object(members...)
}

// Models, powers and cylinders of implants, planned and implanted.
func (o *wildRecord) implant() []string {
	return []string{`"lens_model":` + o.pick(`"IL-1"`, `"IL-1"`, `"IL-1"`, `"IL-1"`, `"IL-2"`) + `,`, `"power_d":` + o.pick("22", "22.0", "2.2e1", "22.25") + `,`,
		o.maybe("cylinder_d", "0", "0", "0.0", "1.5")}
}

func (o *wildRecord) plan() string {
	return object(o.maybe("formula", `"F-1"`), o.maybe("biometer", `"B-1"`), o.maybe("constant", "119"),
		o.maybe("target_refraction_d", "-0.25", "0", "-3"),
		`"candidates":`+o.list(0, 12, func() string {
			return object(append(o.implant(), o.maybe("predicted_refraction_d", "-0.13", "0.21", "-0.5", "0", "-0.2", "0.04"))...)
		})+`,`)
}

func (o *wildRecord) refraction() string {
	return `{"refraction":` + object(`"sphere_d":`+o.pick("0", "-0.25", "0.50", "-0.12", "1", "-2.5")+`,`, o.maybe("cylinder_d", "-0.5", "0.75", "-0.25", "0.13", "0"),
		o.maybe("axis_deg", "0", "90", "180"), o.maybe("method", `"subjective"`, `"subjective"`, `"subjective"`, `"subjective"`, `"autorefraction"`, `"retinoscopy"`)) + `}`
}

// later writes an event about some day after the operation, now and then under
// another offset, where it may fall on another date.
func (o *wildRecord) later(day int, kind, data string) {
	start := o.start
	if o.chance(.3) {
		o.start = start.In(time.FixedZone("", []int{-9 * 3600, 11 * 3600}[o.IntN(2)]))
	}
	o.add(float64(day*24*60+o.IntN(600)-300), kind, data)
	o.start = start
}

// day is one after the operation, at the edges of the windows more than not.
func (o *wildRecord) day() int {
	if o.chance(.5) {
		return 20 + o.IntN(40)
	}
	return []int{0, 1, 10, 13, 14, 15, 27, 28, 29, 31, 41, 42, 43, 90, 119, 120, 121, 150, 179, 180, 181, 300}[o.IntN(22)]
}

func (o *wildRecord) several(p float64, times int, write func()) {
	for range times {
		if o.chance(p) {
			write()
		}
	}
}

// wildFindings are kinds of findings, those that decide something more often.
var wildFindings = []string{"corneal-oedema", "corneal-oedema", "corneal-oedema", "endophthalmitis", "endophthalmitis", "return-to-theatre",
	"unplanned-attendance", "cystoid-macular-oedema", "raised-pressure", "uveitis", "other"}

func (o *wildRecord) eye() {
	o.several(.75, 2, func() {
		o.add(float64(-8000+o.IntN(9)), "case.booked", object(`"patient":"`+fmt.Sprint("P-", o.IntN(400))+`",`, `"eye":`+o.pick(`"right"`, `"left"`)+`,`,
			o.maybe("first_or_second_eye", `"first"`, `"first"`, `"second"`)))
	})
	for _, minute := range []float64{-280000, -266000, -260000, -20000, -19900, -60, 5, 700} {
		if o.chance(.35) {
			o.add(minute+float64(o.IntN(1500)), "preop.assessed", o.assessedEye())
		}
	}
	o.several(.8, 2, func() { o.add(float64(o.IntN(3000)-2900), "lens.planned", o.plan()) })
	if o.chance(.95) {
		o.add(25, "lens.implanted", object(append(o.implant(), o.maybe("site", `"bag"`, `"bag"`, `"bag"`, `"bag"`, `"bag"`, `"bag"`, `"bag"`, `"bag"`, `"sulcus"`, `"optic-capture"`))...))
	}
	o.several(.03, 2, func() { // of a drawer's label alone, or another procedure
		o.later(o.day()*o.IntN(2), "lens.implanted", object(o.maybe("lens_model", `"IL-1"`), o.maybe("power_d", "22"), o.maybe("site", `"bag"`, `"iris"`)))
	})
	o.several(.7, 4, func() { o.later(o.day(), "followup.acuity", `{"acuity":`+o.acuity()+`}`) })
	o.several(.7, 4, func() { o.later(o.day(), "followup.refraction", o.refraction()) })
	o.several(.5, 4, func() { o.later(o.day(), "followup.keratometry", `{"keratometry":`+o.keratometry()+`}`) })
	o.several(.08, 4, func() {
		o.later(o.day(), "followup.finding", `{"kind":"`+wildFindings[o.IntN(len(wildFindings))]+`"}`)
	})
	o.several(.04, 2, func() {
		o.add(28, "complication.recorded", `{"kind":`+o.pick(`"iris-trauma"`, `"dropped-nucleus"`)+`}`)
	})
	o.several(.3, 3, func() {
		o.add(60, "technique.noted", object(o.maybe("step", `"capsulorhexis"`, `"sculpting"`, `"lens-insertion"`, `"cracking"`),
			`"teaching_point":`+o.pick(`"point-1"`, `"point-2"`, `"point-3"`)+`,`, `"polarity":`+o.pick(`"improve"`, `"improve"`, `"strength"`)+`,`))
	})
	if o.chance(.2) {
		o.later(1+o.IntN(9), "case.reviewed", object(`"trainer":"X-0",`, o.maybe("teaching_points", "[]", `["point-1"]`, `["point-3","point-2"]`)))
	}
	if o.chance(.3) {
		o.later(o.day(), "followup.closed", `{"reason":"discharged"}`)
	}
}

func (o *wildRecord) write(cases int) []fact {
	for i, post := range oddPosts {
		o.code, o.start = fmt.Sprintf("X-%d", i), time.Date(2023, 12, 1, 9, 0, 0, 0, time.UTC)
		o.add(0, "surgeon.enrolled", object(`"post":"`+post+`",`, o.maybe("prior_whole_cases", "7", "99")))
	}
	for i := range cases {
		zone := time.FixedZone("", []int{0, 3600, -5 * 3600, 13 * 3600}[o.IntN(4)])
		o.code = fmt.Sprintf("ODD-%04d", i)
		o.start = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(o.IntN(720*24*60)) * time.Minute).In(zone)
		from := len(o.facts)
		o.operation()
		o.eye()
		if o.chance(.15) { // two systems, each with a code of its own for the operation
			for j := range o.facts[from:] {
				if o.chance(.4) {
					o.facts[from+j].subject += "-B"
				}
			}
			o.add(2000, "case.joined", `{"other_case":"`+o.code+`-B"}`)
		}
		for o.chance(.35) {
			target := o.facts[from+o.IntN(len(o.facts)-from)]
			o.code = target.subject
			o.correction(target)
		}
	}
	return o.facts
}

// newWild starts the program on a wild record and reads it naively.
func newWild(t *testing.T, seed uint64, cases int) (*world, map[string][]naiveEvent) {
	t.Helper()
	t.Log("seed", seed)
	o := &wildRecord{oddRecord{Rand: rand.New(rand.NewPCG(seed, 2))}}
	var batch []stream.Outgoing
	var bodies [][]byte
	for _, f := range o.write(cases) {
		batch = append(batch, f.outgoing())
		bodies = append(bodies, []byte(f.json()))
	}
	o.Shuffle(len(batch), func(i, j int) { batch[i], batch[j] = batch[j], batch[i] })
	w := newWorld(t, nil)
	send(t, w.log, batch...)
	w.checkBooks(t)
	var refused int
	if err := w.Pool.QueryRow(t.Context(), "SELECT count(*) FROM quarantine").Scan(&refused); err != nil || refused > 0 {
		t.Fatalf("%d events are in quarantine: %v", refused, err)
	}
	return w, naiveRead(t, bodies)
}

func TestNaiveRecomputationOfWildEyes(t *testing.T) {
	w, bySubject := newWild(t, uint64(time.Now().UnixNano()), 800)
	compareDepartments(t, w, naiveOperations(bySubject), []string{"ODD"}, 200)
	eyes := naiveEyes(bySubject)
	compareEyes(t, w, eyes, []string{"ODD"}, 30)
	if runs, points, advised := compareLearning(t, w, bySubject, eyes, []string{"ODD"}); runs < 1000 || points < 500 || advised < 10 {
		t.Errorf("too little to compare: %d runs of steps, %d points of charts, %d teaching points", runs, points, advised)
	}
}
