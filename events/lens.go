package events

// LensPlanned: the calculation of the implant. Each candidate carries its own
// prediction, so that the one that was implanted finds its own.
type LensPlanned struct {
	Formula           Text            `wire:"formula"`
	Biometer          Text            `wire:"biometer"`
	Constant          Opt[Millionths] `wire:"constant,min=-10,max=130"` // of the lens in the formula; its unit is the formula's
	TargetRefractionD Opt[Hundredths] `wire:"target_refraction_d,min=-20,max=15,usual=-3..0.5"`
	Candidates        []LensCandidate `wire:"candidates"`
}

// LensCandidate is one implant of a calculation with the refraction, as
// spherical equivalent, that was predicted for it.
type LensCandidate struct {
	LensModel            Text            `wire:"lens_model,required"`
	PowerD               Hundredths      `wire:"power_d,required,min=-20,max=60,step=0.25,usual=10..30"`
	CylinderD            Opt[Hundredths] `wire:"cylinder_d,min=0,max=20,usual=0..6"`
	AxisDeg              Opt[int64]      `wire:"axis_deg,min=0,max=180,axis"`
	PredictedRefractionD Opt[Hundredths] `wire:"predicted_refraction_d,min=-20,max=15,usual=-3..0.5"`
}

// LensImplanted: the implant in the eye.
type LensImplanted struct {
	DeviceIdentifier Text            `wire:"device_identifier"`
	LensModel        Text            `wire:"lens_model"`
	PowerD           Opt[Hundredths] `wire:"power_d,min=-20,max=60,step=0.25,usual=10..30"`
	CylinderD        Opt[Hundredths] `wire:"cylinder_d,min=0,max=20,usual=0..6"`
	AxisDeg          Opt[int64]      `wire:"axis_deg,min=0,max=180,axis"`
	OpticUM          Opt[int64]      `wire:"optic_um,min=4500,max=7500,usual=5500..6500"`
	Site             Site            `wire:"site"`
	RhexisOverlap    Overlap         `wire:"rhexis_overlap"`
}
