package events

// TechniqueNoted: one remark on technique, made by a trainer on a step. The
// teaching point is a code, so that its return after advice can be counted.
type TechniqueNoted struct {
	Step              Step        `wire:"step"`
	TeachingPoint     Code        `wire:"teaching_point,required"`
	Polarity          Polarity    `wire:"polarity,required"`
	Consequence       Consequence `wire:"consequence"`
	By                Code        `wire:"by"`
	RecordingOffsetMS Opt[int64]  `wire:"recording_offset_ms,min=0,max=86400000"`
}
