package simulate

import "lensledger/events"

// ruptureByCases is a trainee's probability of a capsule rupture in an eye of
// mean risk, by whole cases done (clinic rule; its fall with experience follows
// Grinton M et al. Eye 2021;35:1213-1220: 3.1 % up to case 100, 0.6 % at 301-400).
var ruptureByCases = []band{{50, 0.038}, {100, 0.026}, {200, 0.018}, {300, 0.011}, {noEnd, 0.006}}

// A consultant's own probability of rupture in an eye of mean risk (clinic rule).
const (
	consultantRupture      = 0.008
	consultantRuptureLogSD = 0.35
)

// takeoverByCases is the probability that a trainee's case is taken over
// unplanned, by whole cases done (clinic rule).
var takeoverByCases = []band{{25, 0.28}, {50, 0.20}, {100, 0.12}, {200, 0.07}, {300, 0.04}, {noEnd, 0.02}}

// takeoverAfterRupture is the share of trainees' ruptures that the consultant
// took over: Grinton M et al. Eye 2021;35:1213-1220, 80.5 %.
const takeoverAfterRupture = 0.805

// partByCases is the probability that a trainee's case is planned as a part of
// an operation: the first and last rows are a clinic rule, the two between them
// common practice, no source.
var partByCases = []band{{25, 0.50}, {50, 0.30}, {100, 0.15}, {noEnd, 0.05}}

// beginnerBelow is the number of whole cases under which a trainee gets the
// easiest eyes (common practice, no source).
const beginnerBelow = 100

// anchor holds times at one number of cases: the whole operation in minutes,
// then four steps in seconds, all medians (clinic rule).
type anchor struct {
	cases                             int
	minutes                           float64
	rhexis, nucleus, segments, cortex float64
}

// timesByCases are the times by experience (clinic rule, with operating times
// near Wiggins MN, Warner DB, Ophthalmic Surg Lasers Imaging 2010;41:518-522:
// 39.9, 30.0, 27.2 minutes near cases 45, 86, 121). The last row is a consultant; that a
// trainee reaches it at case 1,000 is common practice, no source.
var timesByCases = []anchor{
	{10, 50, 260, 420, 330, 300},
	{25, 45, 210, 350, 280, 255},
	{50, 38, 160, 290, 240, 215},
	{100, 29, 110, 210, 190, 165},
	{200, 22, 80, 150, 140, 120},
	{400, 17, 60, 110, 110, 90},
	{1000, 12, 40, 70, 75, 60},
}

// timesAt interpolates between the rows; before the first it goes on in a
// straight line, after the last it stays.
func timesAt(cases int) anchor {
	last := timesByCases[len(timesByCases)-1]
	if cases >= last.cases {
		return last
	}
	i := 1
	for cases > timesByCases[i].cases {
		i++
	}
	a, b := timesByCases[i-1], timesByCases[i]
	w := float64(cases-a.cases) / float64(b.cases-a.cases)
	mix := func(x, y float64) float64 { return x + float64(w*(y-x)) }
	return anchor{cases, mix(a.minutes, b.minutes), mix(a.rhexis, b.rhexis), mix(a.nucleus, b.nucleus),
		mix(a.segments, b.segments), mix(a.cortex, b.cortex)}
}

// Spread of times (clinic rule: step log-SD 0.4, a surgeon's own 0.15, whole
// operation 0.28, gaps 20 %). A step's 0.4 is made of a part that all steps of
// one operation share, 0.2, and its own, 0.346; with the surgeon's own that
// gives the whole operation about 0.28.
const (
	surgeonLogSD   = 0.15
	operationLogSD = 0.20
	stepLogSD      = 0.346
	gapLogSD       = 0.30
	gapShare       = 0.20
	stepMeanFactor = 1.06 // mean of a log-normal step time over its median: exp(0.346^2 / 2)
)

// restShares divides the time that the four timed steps leave among the others
// (common practice, no source).
var restShares = map[events.Step]float64{
	events.StepMainIncision: 0.12, "hydrodissection": 0.12, "lens-insertion": 0.28,
	"viscoelastic-removal": 0.20, "stromal-hydration": 0.13, "wound-check": 0.15,
}

// sculptingShare divides sculpting with cracking (common practice, no source).
const sculptingShare = 0.6

// seconds is the median time of one step at this experience. Steps outside the
// usual ones take a minute and a half (common practice, no source).
func (a anchor) seconds(step events.Step) float64 {
	switch step {
	case "capsulorhexis":
		return a.rhexis
	case events.StepSculpting:
		return a.nucleus * sculptingShare
	case "cracking":
		return a.nucleus * (1 - sculptingShare)
	case "segment-removal":
		return a.segments
	case events.StepCortex:
		return a.cortex
	}
	share, ok := restShares[step]
	if !ok {
		return 90
	}
	steps := float64(a.minutes*60*(1-gapShare)) / stepMeanFactor
	return float64(share * (steps - a.rhexis - a.nucleus - a.segments - a.cortex))
}
