package portal

import (
	"fmt"
	"slices"
	"time"

	"lensledger/events"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// preopWords list what was measured before the operation; the risk factors stand
// apart, known or not.
func preopWords(p *events.PreopAssessed) []factView {
	if p == nil {
		return nil
	}
	var out []factView
	add := func(name, value string) {
		if value != "" {
			out = append(out, factView{name, value})
		}
	}
	for _, a := range p.Acuity {
		add("Acuity, "+plain(string(a.Correction)), acuityWords(a))
	}
	if p.Refraction != nil {
		add("Refraction", refractionWords(*p.Refraction))
	}
	if p.Keratometry != nil {
		add("Corneal power", keratometryWords(*p.Keratometry))
	}
	add("Axial length", millimetresOf(p.AxialLengthUM))
	add("Depth of the anterior chamber", millimetresOf(p.ACDUM))
	if g := p.CataractGrade; g != nil {
		add("Cataract", "grade "+g.Value.String()+" of the scale "+string(g.Scale))
	}
	if p.OcularCopathology != nil {
		diseases := make([]string, len(p.OcularCopathology))
		for i, d := range p.OcularCopathology {
			diseases[i] = plain(string(d))
		}
		add("Other diseases that limit vision", list(diseases))
		if len(diseases) == 0 {
			add("Other diseases that limit vision", "none")
		}
	}
	for _, f := range []struct {
		name  string
		value events.Fact
	}{{"Vitrectomy before", p.PreviousVitrectomy}, {"Refractive surgery before", p.PreviousRefractiveSurgery}} {
		if f.value != events.Unknown {
			add(f.name, fact(f.value))
		}
	}
	if p.IntravitrealInjections.Known {
		add("Injections into the vitreous before", whole(int(p.IntravitrealInjections.Value)))
	}
	return out
}

// acuityWords is "0.30 logMAR" or a word below the chart with its convention.
func acuityWords(a events.Acuity) string {
	if a.LogMARHundredths.Known {
		return logMAR(a.LogMARHundredths.Value)
	}
	return plain(string(a.LowVision)) + " (convention " + string(a.Convention) + ")"
}

func logMAR(hundredths int64) string { return decimal(float64(hundredths)/100, 2) + " logMAR" }

// seenWords is an acuity of the eye's outcome.
func seenWords(hundredths *int64, word, convention, correction string, on *time.Time) string {
	if on == nil {
		return notRecorded
	}
	out := plain(word) + " (convention " + convention + ")"
	if hundredths != nil {
		out = logMAR(*hundredths)
	}
	return out + ", " + plain(correction) + ", on " + day(*on)
}

func refractionWords(r events.Refraction) string {
	out := signed(float64(r.SphereD)/100, 2) + " D"
	if r.CylinderD.Known && r.CylinderD.Value != 0 {
		out += ", cylinder " + signed(float64(r.CylinderD.Value)/100, 2) + " D"
		if r.AxisDeg.Known {
			out += fmt.Sprintf(" at %d°", r.AxisDeg.Value)
		}
	}
	if r.Method != "" {
		out += ", " + plain(string(r.Method))
	}
	return out
}

func keratometryWords(k events.Keratometry) string {
	one := func(power events.Hundredths, axis events.Opt[int64]) string {
		out := decimal(float64(power)/100, 2) + " D"
		if axis.Known {
			out += fmt.Sprintf(" at %d°", axis.Value)
		}
		return out
	}
	return one(k.K1D, k.K1AxisDeg) + " and " + one(k.K2D, k.K2AxisDeg)
}

func millimetresOf(um events.Opt[int64]) string {
	if !um.Known {
		return ""
	}
	return decimal(float64(um.Value)/1000, 2) + " mm"
}

// planView is the calculation of the implant.
type planView struct {
	Facts      []factView
	Candidates tableView
}

// planWords word the calculation that stands, and which of its candidates is in
// the eye.
func planWords(c fold.Case) *planView {
	p := c.LensPlanned
	if p == nil {
		return nil
	}
	v := &planView{Facts: []factView{{"Formula", textOf(p.Formula)}, {"Biometer", textOf(p.Biometer)}}}
	if p.Constant.Known {
		v.Facts = append(v.Facts, factView{"Constant of the lens", p.Constant.Value.String()})
	}
	target, reason := c.Target()
	value := leftOut(reason)
	if reason == "" {
		value = signed(float64(target)/100, 2) + " D"
	}
	v.Facts = append(v.Facts, factView{"Aimed at", value})
	chosen, missing := c.Prediction()
	v.Candidates = tableView{Name: "Candidates", Caption: "Implants of the calculation, each with the refraction predicted for it",
		Head: []column{{"Model", false}, {"Power", true}, {"Cylinder", true}, {"Axis", true}, {"Predicted", true}, {"In the eye", false}}, None: "The calculation names no implant."}
	for _, k := range p.Candidates {
		axis, inEye := notRecorded, "no"
		if k.AxisDeg.Known {
			axis = fmt.Sprintf("%d°", k.AxisDeg.Value)
		}
		if missing == "" && k == chosen {
			inEye = "yes"
		}
		v.Candidates.Rows = append(v.Candidates.Rows, cells(string(k.LensModel), signed(float64(k.PowerD)/100, 2)+" D",
			hundredthsOf(k.CylinderD), axis, hundredthsOf(k.PredictedRefractionD), inEye))
	}
	return v
}

// textOf is a free text, which may be missing.
func textOf(t events.Text) string {
	if t == "" {
		return notRecorded
	}
	return string(t)
}

func hundredthsOf(h events.Opt[events.Hundredths]) string {
	if !h.Known {
		return notRecorded
	}
	return signed(float64(h.Value)/100, 2) + " D"
}

// implantWords word the implant in the eye.
func implantWords(l *events.LensImplanted) []factView {
	if l == nil {
		return nil
	}
	axis, optic := notRecorded, notRecorded
	if l.AxisDeg.Known {
		axis = fmt.Sprintf("%d°", l.AxisDeg.Value)
	}
	if l.OpticUM.Known {
		optic = decimal(float64(l.OpticUM.Value)/1000, 2) + " mm"
	}
	return []factView{{"Model", textOf(l.LensModel)}, {"Power", hundredthsOf(l.PowerD)}, {"Cylinder", hundredthsOf(l.CylinderD)}, {"Axis", axis},
		{"Optic", optic}, {"Site", plain(string(l.Site))}, {"Overlap of the capsulorhexis", plain(string(l.RhexisOverlap))},
		{"Device identifier", textOf(l.DeviceIdentifier)}}
}

// outcomeFacts word what the operation came to for the eye. An operation that stays out
// of the benchmarks has no such row.
func outcomeFacts(c fold.Case, row outcome.Row) []factView {
	e, ok := outcome.EyeOf(c, row)
	if !ok {
		return nil
	}
	loss := unknown + ": " + leftOut(e.VisionReason)
	if e.VisualLoss != nil {
		loss = "no"
		if *e.VisualLoss {
			loss = "yes: worse by 0.30 logMAR or more, or by a word below the chart"
		}
	}
	return []factView{
		{"Acuity before", seenWords(e.BeforeHundredths, e.BeforeLowVision, e.BeforeConvention, e.BeforeCorrection, e.BeforeOn)},
		{fmt.Sprintf("Acuity after, days %d to %d", fold.AcuityFromDay, fold.AcuityToDay),
			seenWords(e.AfterHundredths, e.AfterLowVision, e.AfterConvention, e.AfterCorrection, e.AfterOn)},
		{"Visual loss", loss},
		{"Refraction against the prediction", errorWords(e.ErrorThousandths, e.RefractionReason, e.AchievedThousandths, e.PredictedHundredths, "predicted", e.RefractionOn)},
		{"Refraction against the target", errorWords(e.TargetErrorThousandths, e.TargetReason, e.AchievedThousandths, e.TargetHundredths, "aimed at", e.RefractionOn)},
	}
}

// errorWords set the refraction achieved beside another; negative is more myopic.
func errorWords(off *int64, reason string, achieved, against *int64, word string, on *time.Time) string {
	if off == nil || achieved == nil || against == nil || on == nil {
		return unknown + ": " + leftOut(reason)
	}
	return fmt.Sprintf("%s D: achieved %s D on %s, %s %s D", signed(float64(*off)/1000, 2), signed(float64(*achieved)/1000, 2), day(*on),
		word, signed(float64(*against)/100, 2))
}

// visitTable lists what follow-up brought, in order of time. What is measured
// through a cornea that still heals is marked.
func visitTable(c fold.Case) tableView {
	t := tableView{Name: "Follow-up", Caption: "What follow-up brought, in order of time; days are calendar days since the operation",
		Head: []column{{"What", false}, {"Date", false}, {"Day", true}, {"Value", false}, {"Note", false}}, None: "Nothing from follow-up is recorded."}
	type visit struct {
		at                time.Time
		what, value, note string
	}
	var visits []visit
	healing := func(at time.Time, cornea bool) string {
		switch n := c.DaysAfter(at); {
		case c.Started != nil && n < 0:
			return "dated before the operation: not used"
		case c.Started != nil && cornea && n < feedback.HealingDays:
			return fmt.Sprintf("healing: before day %d it is no outcome", feedback.HealingDays)
		}
		return ""
	}
	for _, v := range c.Acuities {
		for _, a := range v.Acuity {
			visits = append(visits, visit{v.At, "Acuity, " + plain(string(a.Correction)), acuityWords(a), healing(v.At, false)})
		}
	}
	for _, v := range c.Refractions {
		visits = append(visits, visit{v.At, "Refraction", refractionWords(v.Refraction), healing(v.At, true)})
	}
	for _, v := range c.Keratometries {
		visits = append(visits, visit{v.At, "Corneal power", keratometryWords(v.Keratometry), healing(v.At, true)})
	}
	for _, f := range c.Findings {
		value := ""
		if f.Certainty != "" {
			value = plain(string(f.Certainty))
		}
		if f.PressureMMHg.Known {
			value = fmt.Sprintf("%d mmHg", f.PressureMMHg.Value)
		}
		visits = append(visits, visit{f.At, sentence(plain(string(f.Kind))), value, healing(f.At, f.Kind == events.FindingCornealOedema)})
	}
	if c.Closed != nil {
		visits = append(visits, visit{c.Closed.At, "Follow-up ended", plain(string(c.Closed.Reason)), ""})
	}
	slices.SortStableFunc(visits, func(a, b visit) int { return a.at.Compare(b.at) })
	for _, v := range visits {
		number := ""
		if c.Started != nil {
			number = decimal(float64(c.DaysAfter(v.at)), 0)
		}
		t.Rows = append(t.Rows, cells(v.what, day(v.at), number, v.value, v.note))
	}
	return t
}
