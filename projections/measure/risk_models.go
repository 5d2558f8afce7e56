package measure

// ReferencePatientRisk2009 is the risk of the 2009 model's reference patient: a
// woman under 60, large pupil, operated by a consultant, nothing else. It is
// from memory; the published range "less than 0.75 %" fits 0.736 to 0.75 %.
const ReferencePatientRisk2009 = 0.00736

// ReferenceRate2009 is the overall rate of the 2009 model's own operations,
// from memory.
const ReferenceRate2009 = 0.0192

// Reference2016To2022 is the dated reference of today: 9,730 ruptures in
// 961,208 operations, 1 April 2016 to 31 March 2022.
func Reference2016To2022() Reference {
	return Reference{
		Population: "961208 operations, 136 centres, 2016-04-01 to 2022-03-31",
		Rate:       9730.0 / 961208.0,
		Source:     "Sim PY, Donachie PHJ, Day AC, Buchan JC. Eye 2024. 10.1038/s41433-024-03344-2",
	}
}

// CapsuleRupture2009 is the published model of 55,567 operations.
//
// Source: Narendran N, Jaycock P, Johnston RL, et al. Eye 2009;23:31-37.
// 10.1038/sj.eye.6703049. The odds ratios multiply to a composite one.
func CapsuleRupture2009() Model {
	return Model{
		Name:          "capsule-rupture-2009",
		Version:       "2009",
		Population:    "55567 operations, 12 trusts, 2001-11 to 2006-07",
		Source:        "Narendran N, Jaycock P, Johnston RL, et al. Eye 2009;23:31-37. 10.1038/sj.eye.6703049",
		ReferencePRef: ReferencePatientRisk2009,
		ReferenceRate: ReferenceRate2009,
		Terms: []Term{
			{Name: "age", Levels: []Level{
				{When: []Condition{{Field: "age_years", AtLeast: 90}}, OddsRatio: 2.37},
				{When: []Condition{{Field: "age_years", AtLeast: 80, Below: 90}}, OddsRatio: 1.58},
				{When: []Condition{{Field: "age_years", AtLeast: 70, Below: 80}}, OddsRatio: 1.42},
				{When: []Condition{{Field: "age_years", AtLeast: 60, Below: 70}}, OddsRatio: 1.14},
			}},
			{Name: "male", Levels: []Level{word("sex", "male", 1.28)}},
			{Name: "glaucoma", Levels: []Level{word("glaucoma", "yes", 1.30)}},
			{Name: "diabetic retinopathy", Levels: []Level{word("diabetic_retinopathy", "yes", 1.63)}},
			{Name: "white or brunescent cataract", Levels: []Level{
				word("white_cataract", "yes", 2.99), word("brunescent_cataract", "yes", 2.99)}},
			{Name: "no fundal view or vitreous opacities", Levels: []Level{
				word("no_fundal_view", "yes", 2.46), word("vitreous_opacities", "yes", 2.46)}},
			{Name: "pseudoexfoliation or phacodonesis", Levels: []Level{
				word("pseudoexfoliation", "yes", 2.92), word("phacodonesis", "yes", 2.92)}},
			{Name: "pupil", Levels: []Level{word("pupil", "medium", 1.14), word("pupil", "small", 1.45)}},
			{Name: "axial length 26 mm or more", Levels: []Level{
				{When: []Condition{{Field: "axial_length_um", AtLeast: 26000}}, OddsRatio: 1.47}}},
			{Name: "doxazosin", Levels: []Level{word("alpha_blocker", "doxazosin", 1.51)}},
			{Name: "cannot lie flat", Levels: []Level{word("can_lie_flat", "no", 1.27)}},
			{Name: "surgeon's grade", Grade: true, Levels: []Level{
				word("grade", "associate-specialist", 0.87), word("grade", "staff-grade", 0.36),
				word("grade", "fellow", 1.65), word("grade", "specialist-registrar", 1.60),
				word("grade", "senior-house-officer", 3.73)}},
		},
	}
}

func word(field, is string, oddsRatio float64) Level {
	return Level{When: []Condition{{Field: field, Is: is}}, OddsRatio: oddsRatio}
}

// DefaultModel is the 2009 model recalibrated to Reference2016To2022: charts
// and adjusted rates start from it.
func DefaultModel() Model {
	reference := Reference2016To2022()
	model, err := CapsuleRupture2009().Recalibrated(reference.Rate, reference.Population, "2009-recalibrated-2016-2022")
	if err != nil {
		// Constants only: a test holds that this cannot happen.
		return CapsuleRupture2009()
	}
	return model
}
