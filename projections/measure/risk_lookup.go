package measure

// LookupModel finds a published risk model by name and version. An empty version
// is the one in force.
func LookupModel(name, version string) (Model, bool) {
	for _, m := range []Model{DefaultModel(), CapsuleRupture2009()} {
		if m.Name == name && (version == "" || m.Version == version) {
			return m, true
		}
	}
	return Model{}, false
}

// Probability turns a composite odds ratio into a probability from 0 to 1:
// odds = p_ref/(1-p_ref) x odds ratio, p = odds/(1+odds). It fails on an odds
// ratio below 0 or above a million million.
func (m Model) Probability(compositeOddsRatio float64) (float64, error) {
	const most = 1e12
	if !(compositeOddsRatio >= 0 && compositeOddsRatio <= most) {
		return 0, &ArgumentError{"composite_odds_ratio", number(compositeOddsRatio), "0 to " + number(most)}
	}
	o := float64(m.ReferencePRef / (1 - m.ReferencePRef) * compositeOddsRatio)
	return o / (1 + o), nil
}
