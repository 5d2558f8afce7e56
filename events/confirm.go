package events

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// Confirmations lists what in a stored event lies outside the usual, one
// problem with CodeConfirm each: values outside their usual range and pairs of
// values that seldom go together. They are for the sender to look at again;
// true rare values exist. Limits are common practice, no source. The data of an
// amendment is judged when its target_type is given.
func (e Event) Confirmations() []Problem {
	return confirmations(e.Data, "/data", nil)
}

func confirmations(data any, pointer string, out []Problem) []Problem {
	v := reflect.ValueOf(data)
	if v.Kind() != reflect.Pointer || v.IsNil() {
		return out
	}
	if p := plans[v.Type().Elem()]; p != nil && p.usual {
		out = p.confirm(v.Elem(), pointer, out)
	}
	confirm := func(name, format string, args ...any) {
		out = append(out, Problem{Pointer: pointer + "/" + name, Code: CodeConfirm, Detail: fmt.Sprintf(format, args...)})
	}
	switch d := data.(type) {
	case *PreopAssessed:
		confirmAcuity(d.Acuity, confirm)
		if d.Keratometry != nil {
			d.Keratometry.confirm(confirm)
		}
		if r := d.Refraction; r != nil && (r.SphereD < -1200 || r.SphereD > 800) {
			confirm("refraction/sphere_d", "sphere_d: found %s, usual before the operation -12 to 8", r.SphereD)
		}
	case *LensPlanned:
		d.confirmTarget(confirm)
		for i := range d.Candidates {
			c := &d.Candidates[i]
			confirmToric("candidates/"+strconv.Itoa(i)+"/", c.LensModel, c.CylinderD, c.AxisDeg, confirm)
		}
	case *IncisionMade:
		if d.WidthUM.Known {
			incisionWidths[d.Kind].confirm("width_um", string(d.Kind), d.WidthUM.Value, confirm)
		}
	case *MeasurementTaken:
		lengths[d.What].confirm("value_um", string(d.What), d.ValueUM, confirm)
	case *LensImplanted:
		confirmToric("", d.LensModel, d.CylinderD, d.AxisDeg, confirm)
	case *FollowupAcuity:
		confirmAcuity(d.Acuity, confirm)
	case *FollowupRefraction:
		if s := d.Refraction.SphereD; s < -400 || s > 200 {
			confirm("refraction/sphere_d", "sphere_d: found %s, usual after the operation -4 to 2", s)
		}
	case *FollowupKeratometry:
		d.Keratometry.confirm(confirm)
	case *EventAmended:
		if d.TargetType != "" {
			if replacement, problems := DecodeData(d.TargetType, d.Data); len(problems) == 0 {
				out = confirmations(replacement, pointer+"/data", out)
			}
		}
	}
	return out
}

// confirm walks the values that have a usual range.
func (p *plan) confirm(v reflect.Value, pointer string, out []Problem) []Problem {
	for i := range p.fields {
		f := &p.fields[i]
		value := v.Field(f.index)
		if f.absent(value) {
			continue
		}
		if f.opt {
			value = value.Field(0)
		}
		switch {
		case f.usual:
			if n := value.Int(); n < f.low || n > f.high {
				out = append(out, Problem{Pointer: pointer + "/" + f.name, Code: CodeConfirm, Detail: fmt.Sprintf(
					"%s: found %s, usual %s to %s", f.name, f.plainNumber(n), f.plainNumber(f.low), f.plainNumber(f.high))})
			}
		case f.shape == shapeObject && f.of.usual:
			if f.pointer {
				value = value.Elem()
			}
			out = f.of.confirm(value, pointer+"/"+f.name, out)
		case f.shape == shapeList && f.item.of != nil && f.item.of.usual:
			for j := range value.Len() {
				out = f.item.of.confirm(value.Index(j), pointer+"/"+f.name+"/"+strconv.Itoa(j), out)
			}
		}
	}
	return out
}

// confirm: mean power 41 to 47 D, cylinder at most 2.5 D, axes 90 +- 5 degrees
// apart.
func (k *Keratometry) confirm(confirm func(name, format string, args ...any)) {
	if sum := k.K1D + k.K2D; sum < 2*4100 || sum > 2*4700 {
		confirm("keratometry", "keratometry: found a mean of %s D, usual 41 to 47", thousandths(5*int64(sum)))
	}
	if cylinder := max(k.K1D-k.K2D, k.K2D-k.K1D); cylinder > 250 {
		confirm("keratometry", "keratometry: found a cylinder of %s D, usual up to 2.5", cylinder)
	}
	if k.K1AxisDeg.Known && k.K2AxisDeg.Known {
		apart := (k.K1AxisDeg.Value - k.K2AxisDeg.Value + 360) % 180
		apart = min(apart, 180-apart) // meridians: at most 90 apart
		if apart < 85 {
			confirm("keratometry/k2_axis_deg", "k2_axis_deg: found %d degrees from k1_axis_deg, usual 85 to 95", apart)
		}
	}
}

// confirmAcuity: corrected or pinhole acuity of one visit more than 10
// hundredths of logMAR worse than unaided. Low-vision codes are worse than any
// number and differ by more than that among themselves.
func confirmAcuity(list []Acuity, confirm func(name, format string, args ...any)) {
	unaided, found := int64(0), false
	for i := range list {
		if a := &list[i]; a.Correction == "unaided" && (!found || a.rank() < unaided) {
			unaided, found = a.rank(), true
		}
	}
	for i := range list {
		if a := &list[i]; found && a.Correction != "unaided" && a.rank() > unaided+10 {
			confirm("acuity/"+strconv.Itoa(i), "acuity: found %s acuity worse than unaided by more than 10 hundredths of logMAR, usual at most 10", a.Correction)
		}
	}
}

// rank orders acuities, the worse the higher.
func (a *Acuity) rank() int64 {
	if a.LogMARHundredths.Known {
		return a.LogMARHundredths.Value
	}
	for i, w := range words[reflect.TypeFor[LowVision]()] {
		if w == string(a.LowVision) {
			return 1000 * int64(i+1)
		}
	}
	return 0
}

// confirmTarget: one of the candidates is predicted within 0.5 D of the target.
// The others of a calculation lie around it and may be further off.
func (l *LensPlanned) confirmTarget(confirm func(name, format string, args ...any)) {
	if !l.TargetRefractionD.Known {
		return
	}
	target := l.TargetRefractionD.Value
	nearest, least := -1, Hundredths(0)
	for i := range l.Candidates {
		if p := l.Candidates[i].PredictedRefractionD; p.Known {
			if apart := max(p.Value-target, target-p.Value); nearest < 0 || apart < least {
				nearest, least = i, apart
			}
		}
	}
	if least > 50 {
		confirm("candidates/"+strconv.Itoa(nearest)+"/predicted_refraction_d",
			"predicted_refraction_d: found %s, the nearest to target_refraction_d %s, usual within 0.5",
			l.Candidates[nearest].PredictedRefractionD.Value, target)
	}
}

// confirmToric: a toric implant has a cylinder and an axis, another has neither.
func confirmToric(path string, model Text, cylinderD Opt[Hundredths], axisDeg Opt[int64], confirm func(name, format string, args ...any)) {
	cylinder := cylinderD.Known && cylinderD.Value > 0
	switch {
	case cylinder && !axisDeg.Known:
		confirm(path+"axis_deg", "axis_deg: missing, usual with a cylinder of %s D", cylinderD.Value)
	case !cylinder && axisDeg.Known:
		confirm(path+"cylinder_d", "cylinder_d: found 0 or nothing beside axis_deg, usual more than 0 with an axis")
	case !cylinder && strings.Contains(strings.ToLower(string(model)), "toric"):
		confirm(path+"cylinder_d", "cylinder_d: found 0 or nothing for the toric model %q, usual more than 0", cut(string(model), 60))
	}
}

func thousandths(n int64) string { return string(appendScaled(nil, n, 3)) }
