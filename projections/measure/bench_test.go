package measure

import (
	"slices"
	"testing"
	"time"
)

// commonMix is a case mix of five risks whose scores lie on no lattice.
var commonMix = []MixPoint{{.005, .35}, {.01, .3}, {.02, .2}, {.05, .1}, {.1, .05}}

// BenchmarkDesignGrid is every design of testdata/reference/bernoulli_cusum_arl
// from its run length: threshold search, both run lengths with medians and
// chances. It states the median and the slowest of the 90. The same exact method
// in R takes 35 ms (median) and 2.1 s (slowest) for a run length alone.
func BenchmarkDesignGrid(b *testing.B) {
	var requests []DesignRequest
	for _, r := range readRows(new(testing.T), "bernoulli_cusum_arl") {
		if r.text("true") == "p0" {
			requests = append(requests, DesignRequest{Acceptable: r.number("p0"), OddsRatio: r.number("odds_ratio"), RunLength: r.number("arl_exact") * (1 - 1e-9)})
		}
	}
	var took []time.Duration
	for b.Loop() {
		for _, r := range requests {
			start := time.Now()
			if _, err := NewDesign(r); err != nil {
				b.Fatal(err)
			}
			took = append(took, time.Since(start))
		}
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms/median")
	b.ReportMetric(float64(took[len(took)-1].Microseconds())/1000, "ms/slowest")
}

// BenchmarkDesign is a full design of each kind, threshold search and both run
// lengths.
func BenchmarkDesign(b *testing.B) {
	risks := make([]float64, 300)
	for i := range risks {
		risks[i] = 0.005 + float64(i*37%100)*0.0007
	}
	many := make([]MixPoint, 200)
	for i := range many {
		many[i] = MixPoint{Risk: 0.002 + float64(i*i)*5e-6, Share: 1.0 / 200}
	}
	for _, c := range []struct {
		name    string
		request DesignRequest
	}{
		{"median", DesignRequest{Acceptable: .05, OddsRatio: 2, RunLength: 4572.26262966454}},
		{"slowest", DesignRequest{Acceptable: .005, OddsRatio: 1.5, RunLength: 280_000}},
		{"trainee", DesignRequest{Acceptable: .03, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 100}},
		{"steady state", DesignRequest{Acceptable: .03, OddsRatio: 2, Threshold: 2.36, SteadyState: true}},
		{"competence", DesignRequest{Acceptable: .05, Unacceptable: .1, FalseAlarmChance: .1, WithinCases: 300, Kind: Competence}},
		{"boundary", DesignRequest{Acceptable: .05, Unacceptable: .1, Alpha: .05, Beta: .1, Kind: Boundary}},
		{"case mix", DesignRequest{CaseMix: commonMix, OddsRatio: 2, FalseAlarmChance: .05, WithinCases: 300}},
		{"case mix, run length", DesignRequest{CaseMix: commonMix, OddsRatio: 2, RunLength: 5000}},
		{"case mix, odds ratio 1.5", DesignRequest{CaseMix: commonMix, OddsRatio: 1.5, RunLength: 10_000}},
		{"case mix, competence", DesignRequest{CaseMix: commonMix, OddsRatio: 2, RunLength: 3000, Kind: Competence}},
		{"case mix, 200 risks", DesignRequest{CaseMix: many, OddsRatio: 2, RunLength: 5000}},
		{"fixed list of 300", DesignRequest{Risks: risks, OddsRatio: 2, FalseAlarmChance: .05}},
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
// same exact method in R takes 35 ms (median) and 2.1 s (slowest).
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

// BenchmarkFixedList is the chance of an alarm at each of 300 cases.
func BenchmarkFixedList(b *testing.B) {
	risks := make([]float64, 300)
	for i := range risks {
		risks[i] = 0.005 + float64(i*37%100)*0.0007
	}
	for b.Loop() {
		if _, err := FixedList(risks, 2, 3, 1); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkChartFromMiddle draws a chart of 1,000 cases again from case 501, as
// after a late change: each case's risk from its composite odds ratio, its score
// and the chart's value. "From risk factors" reads the factors of each as well.
func BenchmarkChartFromMiddle(b *testing.B) {
	model := DefaultModel()
	age := 75
	patient := Factors{AgeYears: &age, Sex: "male", Pupil: "small"}
	known, err := model.Risk(patient)
	if err != nil {
		b.Fatal(err)
	}
	risks := map[string]func() (float64, error){
		"from odds ratios":  func() (float64, error) { return model.Probability(known.CompositeOddsRatio) },
		"from risk factors": func() (float64, error) { r, err := model.Risk(patient); return r.Probability, err },
	}
	for _, name := range []string{"from odds ratios", "from risk factors"} {
		scores := make([]float64, 1000)
		score := func(from int) {
			for i := from; i < len(scores); i++ {
				p, err := risks[name]()
				if err != nil {
					b.Fatal(err)
				}
				s, err := LLR(p, 2)
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
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				score(500)
				if _, err := PathFrom(points[:500], scores, 4.5); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
