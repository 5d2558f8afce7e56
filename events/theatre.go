package events

// IncisionMade: an incision into the eye, its width in micrometres and its
// meridian in degrees, 180 equal to 0. The hard limits of its width are those
// of its kind.
type IncisionMade struct {
	Kind        IncisionKind `wire:"kind,required"`
	WidthUM     Opt[int64]   `wire:"width_um,min=300,max=14000"`
	MeridianDeg Opt[int64]   `wire:"meridian_deg,min=0,max=180,axis"`
}

// AdjunctUsed: something beyond the usual was used in the operation.
type AdjunctUsed struct {
	Kind    AdjunctKind `wire:"kind,required"`
	Planned Fact        `wire:"planned"`
	Count   Opt[int64]  `wire:"count,min=1,max=20"`
	Step    Step        `wire:"step"`
}

// MeasurementTaken: a length measured during the operation, in micrometres. Its
// hard limits are those of what was measured.
type MeasurementTaken struct {
	What    MeasurementKind `wire:"what,required"`
	ValueUM int64           `wire:"value_um,required,min=500,max=11000"`
}

// MachineRead: what the phacoemulsification machine showed at the end. An
// energy index is the machine's own unit, never pooled across machines.
type MachineRead struct {
	Machine          Text            `wire:"machine"`
	UltrasoundTimeMS Opt[int64]      `wire:"ultrasound_time_ms,min=0,max=900000,usual=0..150000"`
	EnergyIndex      Opt[Hundredths] `wire:"energy_index,min=0,max=300,usual=0..40"`
	FluidML          Opt[int64]      `wire:"fluid_ml,min=0,max=1000,usual=20..200"`
}

// DrugGiven: a drug given in the operation, its dose in micrograms.
type DrugGiven struct {
	Drug   Text       `wire:"drug,required"`
	Route  Route      `wire:"route"`
	DoseUG Opt[int64] `wire:"dose_ug,min=1,max=10000000"`
}
