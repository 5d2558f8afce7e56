package analytics

import (
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
)

// facts are what was assessed, planned and done, as the events say it: in their
// names and units, in the order of time.
type facts struct {
	Assessments  []assessment     `json:"assessments"`
	LensPlan     *lensPlan        `json:"lens_plan"`
	Incisions    []incision       `json:"incisions"`
	Adjuncts     []adjunct        `json:"adjuncts"`
	Measurements []measurement    `json:"measurements"`
	Machines     []machineReading `json:"machine_readings"`
	Drugs        []drug           `json:"drugs"`
	Techniques   []technique      `json:"technique_notes"`
}

type assessment struct {
	At                        time.Time      `json:"at"`
	AgeYears                  *int64         `json:"age_years"`
	Sex                       string         `json:"sex"`
	Acuity                    []acuity       `json:"acuity"`
	Refraction                *refraction    `json:"refraction"`
	Keratometry               *keratometry   `json:"keratometry"`
	AxialLengthUM             *int64         `json:"axial_length_um"`
	ACDUM                     *int64         `json:"acd_um"`
	CataractGrade             *cataractGrade `json:"cataract_grade"`
	WhiteCataract             *bool          `json:"white_cataract"`
	BrunescentCataract        *bool          `json:"brunescent_cataract"`
	Glaucoma                  *bool          `json:"glaucoma"`
	DiabeticRetinopathy       *bool          `json:"diabetic_retinopathy"`
	NoFundalView              *bool          `json:"no_fundal_view"`
	VitreousOpacities         *bool          `json:"vitreous_opacities"`
	Pseudoexfoliation         *bool          `json:"pseudoexfoliation"`
	Phacodonesis              *bool          `json:"phacodonesis"`
	Pupil                     string         `json:"pupil"`
	AlphaBlocker              string         `json:"alpha_blocker"`
	CanLieFlat                *bool          `json:"can_lie_flat"`
	PreviousVitrectomy        *bool          `json:"previous_vitrectomy"`
	PreviousRefractiveSurgery *bool          `json:"previous_refractive_surgery"`
	IntravitrealInjections    *int64         `json:"intravitreal_injections"`
	OcularCopathology         []string       `json:"ocular_copathology"` // null is unknown, an empty list is none
}

type acuity struct {
	Correction       string `json:"correction"`
	LogMARHundredths *int64 `json:"logmar_hundredths"`
	LowVision        string `json:"low_vision"`
	Convention       string `json:"convention"`
	Chart            string `json:"chart"`
}

type refraction struct {
	SphereD   float64  `json:"sphere_d"`
	CylinderD *float64 `json:"cylinder_d"`
	AxisDeg   *int64   `json:"axis_deg"`
	Method    string   `json:"method"`
}

type keratometry struct {
	K1D       float64 `json:"k1_d"`
	K1AxisDeg *int64  `json:"k1_axis_deg"`
	K2D       float64 `json:"k2_d"`
	K2AxisDeg *int64  `json:"k2_axis_deg"`
}

type cataractGrade struct {
	Scale string  `json:"scale"`
	Value float64 `json:"value"`
}

type lensPlan struct {
	Formula           string          `json:"formula"`
	Biometer          string          `json:"biometer"`
	Constant          *float64        `json:"constant"`
	TargetRefractionD *float64        `json:"target_refraction_d"`
	AfterStart        bool            `json:"dated_after_start"`
	Candidates        []lensCandidate `json:"candidates"`
}

type lensCandidate struct {
	LensModel            string   `json:"lens_model"`
	PowerD               float64  `json:"power_d"`
	CylinderD            *float64 `json:"cylinder_d"`
	AxisDeg              *int64   `json:"axis_deg"`
	PredictedRefractionD *float64 `json:"predicted_refraction_d"`
}

type incision struct {
	At          time.Time `json:"at"`
	Kind        string    `json:"kind"`
	WidthUM     *int64    `json:"width_um"`
	MeridianDeg *int64    `json:"meridian_deg"`
}

type adjunct struct {
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Planned *bool     `json:"planned"`
	Count   *int64    `json:"count"`
	Step    string    `json:"step"`
}

type measurement struct {
	At      time.Time `json:"at"`
	What    string    `json:"what"`
	ValueUM int64     `json:"value_um"`
}

// machineReading holds an energy index in the machine's own unit: it can't be
// compared with another machine's.
type machineReading struct {
	At               time.Time `json:"at"`
	Machine          string    `json:"machine"`
	UltrasoundTimeMS *int64    `json:"ultrasound_time_ms"`
	EnergyIndex      *float64  `json:"energy_index"`
	FluidML          *int64    `json:"fluid_ml"`
}

type drug struct {
	At     time.Time `json:"at"`
	Drug   string    `json:"drug"`
	Route  string    `json:"route"`
	DoseUG *int64    `json:"dose_ug"`
}

type technique struct {
	At                time.Time `json:"at"`
	Step              string    `json:"step"`
	TeachingPoint     string    `json:"teaching_point"`
	Polarity          string    `json:"polarity"`
	Consequence       string    `json:"consequence"`
	By                string    `json:"by"`
	RecordingOffsetMS *int64    `json:"recording_offset_ms"`
}

func factsOf(c fold.Case) facts {
	return facts{
		Assessments: listOf(c.Assessments, assessmentOf),
		LensPlan:    lensPlanOf(c),
		Incisions: listOf(c.Incisions, func(i fold.Incision) incision {
			return incision{i.At, string(i.Kind), known(i.WidthUM), known(i.MeridianDeg)}
		}),
		Adjuncts: listOf(c.Adjuncts, func(a fold.Adjunct) adjunct {
			return adjunct{a.At, string(a.Kind), truth(a.Planned), known(a.Count), string(a.Step)}
		}),
		Measurements: listOf(c.Measurements, func(m fold.Measurement) measurement {
			return measurement{m.At, string(m.What), m.ValueUM}
		}),
		Machines: listOf(c.Machines, func(m fold.MachineReading) machineReading {
			return machineReading{m.At, string(m.Machine), known(m.UltrasoundTimeMS), dioptres(m.EnergyIndex), known(m.FluidML)}
		}),
		Drugs: listOf(c.Drugs, func(d fold.Drug) drug {
			return drug{d.At, string(d.Drug), string(d.Route), known(d.DoseUG)}
		}),
		Techniques: listOf(c.Techniques, func(t fold.Technique) technique {
			return technique{t.At, string(t.Step), string(t.TeachingPoint), string(t.Polarity), string(t.Consequence), string(t.By), known(t.RecordingOffsetMS)}
		}),
	}
}

// listOf shows each of a list; the answer is never null.
func listOf[T, U any](list []T, show func(T) U) []U {
	out := make([]U, len(list))
	for i, one := range list {
		out[i] = show(one)
	}
	return out
}

func assessmentOf(a fold.Assessment) assessment {
	out := assessment{At: a.At, AgeYears: known(a.AgeYears), Sex: string(a.Sex), Acuity: listOf(a.Acuity, acuityOf),
		AxialLengthUM: known(a.AxialLengthUM), ACDUM: known(a.ACDUM), WhiteCataract: truth(a.WhiteCataract),
		BrunescentCataract: truth(a.BrunescentCataract), Glaucoma: truth(a.Glaucoma), DiabeticRetinopathy: truth(a.DiabeticRetinopathy),
		NoFundalView: truth(a.NoFundalView), VitreousOpacities: truth(a.VitreousOpacities), Pseudoexfoliation: truth(a.Pseudoexfoliation),
		Phacodonesis: truth(a.Phacodonesis), Pupil: string(a.Pupil), AlphaBlocker: string(a.AlphaBlocker), CanLieFlat: truth(a.CanLieFlat),
		PreviousVitrectomy: truth(a.PreviousVitrectomy), PreviousRefractiveSurgery: truth(a.PreviousRefractiveSurgery),
		IntravitrealInjections: known(a.IntravitrealInjections)}
	if a.Refraction != nil {
		r := refractionOf(*a.Refraction)
		out.Refraction = &r
	}
	if a.Keratometry != nil {
		k := keratometryOf(*a.Keratometry)
		out.Keratometry = &k
	}
	if g := a.CataractGrade; g != nil {
		out.CataractGrade = &cataractGrade{string(g.Scale), hundredths(int64(g.Value))}
	}
	if a.OcularCopathology != nil {
		out.OcularCopathology = textsOf(a.OcularCopathology)
	}
	return out
}

func acuityOf(a events.Acuity) acuity {
	return acuity{string(a.Correction), known(a.LogMARHundredths), string(a.LowVision), string(a.Convention), string(a.Chart)}
}

func refractionOf(r events.Refraction) refraction {
	return refraction{hundredths(int64(r.SphereD)), dioptres(r.CylinderD), known(r.AxisDeg), string(r.Method)}
}

func keratometryOf(k events.Keratometry) keratometry {
	return keratometry{hundredths(int64(k.K1D)), known(k.K1AxisDeg), hundredths(int64(k.K2D)), known(k.K2AxisDeg)}
}

func lensPlanOf(c fold.Case) *lensPlan {
	p := c.LensPlanned
	if p == nil {
		return nil
	}
	out := &lensPlan{Formula: string(p.Formula), Biometer: string(p.Biometer), TargetRefractionD: dioptres(p.TargetRefractionD), AfterStart: c.PlannedLate,
		Candidates: listOf(p.Candidates, func(l events.LensCandidate) lensCandidate {
			return lensCandidate{string(l.LensModel), hundredths(int64(l.PowerD)), dioptres(l.CylinderD), known(l.AxisDeg), dioptres(l.PredictedRefractionD)}
		})}
	if p.Constant.Known {
		constant := p.Constant.Value.Float()
		out.Constant = &constant
	}
	return out
}

func hundredths(n int64) float64 { return float64(n) / 100 }
