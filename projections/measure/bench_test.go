package measure

import "testing"

// BenchmarkDesign is a full design, threshold search and both run lengths: the
// median and the slowest of the 90 of testdata/reference/bernoulli_cusum_arl.
func BenchmarkDesign(b *testing.B) {
	for _, c := range []struct {
		name    string
		request DesignRequest
	}{
		{"median", DesignRequest{Acceptable: .05, OddsRatio: 2, RunLength: 4572.26262966454}},
		{"slowest", DesignRequest{Acceptable: .005, OddsRatio: 1.5, RunLength: 280_000}},
		{"trainee", DesignRequest{Acceptable: .03, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 100}},
		{"competence", DesignRequest{Acceptable: .05, Unacceptable: .1, FalseAlarmChance: .1, WithinCases: 300, Kind: Competence}},
		{"case mix", DesignRequest{CaseMix: []MixPoint{{.005, .35}, {.01, .3}, {.02, .2}, {.05, .1}, {.1, .05}},
			OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 300}},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := NewDesign(c.request); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkRunLength is one run length with its median and alarm chances, as the
// same method in R takes 35 ms (median) and 2.1 s (slowest).
func BenchmarkRunLength(b *testing.B) {
	for _, c := range []struct {
		name         string
		p0, ratio, h float64
	}{{"median", .05, 2, 4}, {"slowest", .005, 1.5, 5}} {
		b.Run(c.name, func(b *testing.B) {
			scores, err := BernoulliScores(c.p0, risen(c.p0, c.ratio))
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, err := (Chart{Scores: scores, Threshold: c.h}).RunLength(c.p0, designCases...); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkChart recomputes a chart of 1,000 cases: all of it, from risk factors
// on, and from its middle.
func BenchmarkChart(b *testing.B) {
	model := DefaultModel()
	age := 75
	patient := Factors{AgeYears: &age, Sex: "male", Pupil: "small"}
	scores := make([]float64, 1000)
	score := func(from int) {
		for i := from; i < len(scores); i++ {
			risk, err := model.Risk(patient)
			if err != nil {
				b.Fatal(err)
			}
			s, err := LLR(risk.Probability, 2)
			if err != nil {
				b.Fatal(err)
			}
			scores[i] = s.Of(i%50 == 0)
		}
	}
	score(0)
	points, err := Path(scores, 4.5)
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name string
		from int
	}{{"whole", 0}, {"from the middle", 500}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				score(c.from)
				if _, err := PathFrom(points[:c.from], scores, 4.5); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
