package events

// PreopAssessed: what was known of the eye and the patient before the operation.
// Lengths are in micrometres, powers in dioptres, acuity in hundredths of logMAR.
type PreopAssessed struct {
	AgeYears                  Opt[int64]     `wire:"age_years,min=0,max=115,usual=40..98"`
	Sex                       Sex            `wire:"sex"`
	Acuity                    []Acuity       `wire:"acuity"`
	Refraction                *Refraction    `wire:"refraction"`
	Keratometry               *Keratometry   `wire:"keratometry"`
	AxialLengthUM             Opt[int64]     `wire:"axial_length_um,min=14000,max=40000,usual=21200..26600"`
	ACDUM                     Opt[int64]     `wire:"acd_um,min=1200,max=6000,usual=2400..4200"`
	CataractGrade             *CataractGrade `wire:"cataract_grade"`
	WhiteCataract             Fact           `wire:"white_cataract"`
	BrunescentCataract        Fact           `wire:"brunescent_cataract"`
	Glaucoma                  Fact           `wire:"glaucoma"`
	DiabeticRetinopathy       Fact           `wire:"diabetic_retinopathy"`
	NoFundalView              Fact           `wire:"no_fundal_view"`
	VitreousOpacities         Fact           `wire:"vitreous_opacities"`
	Pseudoexfoliation         Fact           `wire:"pseudoexfoliation"`
	Phacodonesis              Fact           `wire:"phacodonesis"`
	Pupil                     Pupil          `wire:"pupil"`
	AlphaBlocker              AlphaBlocker   `wire:"alpha_blocker"`
	CanLieFlat                Fact           `wire:"can_lie_flat"`
	PreviousVitrectomy        Fact           `wire:"previous_vitrectomy"`
	PreviousRefractiveSurgery Fact           `wire:"previous_refractive_surgery"`
	IntravitrealInjections    Opt[int64]     `wire:"intravitreal_injections,min=0,max=500"`
	OcularCopathology         []Copathology  `wire:"ocular_copathology"`
}

// Acuity is one measured acuity: hundredths of logMAR, or a low-vision code
// with the convention under which it was written.
type Acuity struct {
	Correction       Correction `wire:"correction,required"`
	LogMARHundredths Opt[int64] `wire:"logmar_hundredths,min=-30,max=170"`
	LowVision        LowVision  `wire:"low_vision"`
	Convention       Convention `wire:"convention"`
	Chart            Text       `wire:"chart"`
}

// Refraction in sphere and cylinder, dioptres; axis in degrees, 180 equals 0.
type Refraction struct {
	SphereD   Hundredths       `wire:"sphere_d,required,min=-40,max=30"`
	CylinderD Opt[Hundredths]  `wire:"cylinder_d,min=-15,max=15,usual=-3..3"`
	AxisDeg   Opt[int64]       `wire:"axis_deg,min=0,max=180,axis"`
	Method    RefractionMethod `wire:"method"`
}

// Keratometry is the corneal power in two meridians, dioptres and degrees.
type Keratometry struct {
	K1D       Hundredths `wire:"k1_d,required,min=25,max=75"`
	K1AxisDeg Opt[int64] `wire:"k1_axis_deg,min=0,max=180,axis"`
	K2D       Hundredths `wire:"k2_d,required,min=25,max=75"`
	K2AxisDeg Opt[int64] `wire:"k2_axis_deg,min=0,max=180,axis"`
}

// CataractGrade is a grade with the name of its scale.
type CataractGrade struct {
	Scale Text       `wire:"scale,required"`
	Value Hundredths `wire:"value,required,min=0,max=100"`
}
