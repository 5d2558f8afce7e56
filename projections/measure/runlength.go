package measure

import "math"

// RunLength is how long a chart runs until its alarm, the alarm's case
// included. AverageRunLength and MedianRunLength are in cases.
type RunLength struct {
	AverageRunLength float64       `json:"average_run_length"`
	MedianRunLength  float64       `json:"median_run_length"`
	AlarmWithin      []AlarmWithin `json:"alarm_within"`
}

// AlarmWithin is the chance of an alarm at or before a number of cases.
type AlarmWithin struct {
	Cases  int     `json:"cases"`
	Chance float64 `json:"chance"`
}

// Chart is a chart whose cases all carry the same two scores. It alarms when
// its value reaches Threshold, and it begins at HeadStart, usually 0.
type Chart struct {
	Scores    Scores
	Threshold float64
	HeadStart float64
}

// maxThreshold is beyond any chart in use: the run length grows like its
// exponential.
const maxThreshold = 1e6

func (c Chart) check(p float64) error {
	if err := checkProbability("true rate", p); err != nil {
		return err
	}
	e, n := c.Scores.Event, c.Scores.NoEvent
	if !finite(e) || !finite(n) || !(math.Min(e, n) < 0 && math.Max(e, n) > 0) {
		return &ArgumentError{Name: "scores", Got: number(e) + " and " + number(n), Allowed: "one above 0 and one below"}
	}
	if !(c.Threshold > 0 && c.Threshold <= maxThreshold) {
		return outside("threshold", c.Threshold, "more than 0 and at most 1000000")
	}
	if !(c.HeadStart >= 0 && c.HeadStart < c.Threshold) {
		return outside("head_start", c.HeadStart, "0 up to the threshold = "+number(c.Threshold))
	}
	return nil
}

// RunLength gives the chart's run length when the true chance of an event is p,
// with the chance of an alarm within each of the numbers of cases asked for
// (1 to 10000). It is exact: no lattice and no simulation.
//
// Source: the exact recursion described in cycle.go. Reynolds MR, Stoumbos ZG.
// J Qual Technol 1999;31:87-108 defines the chart and its run length.
func (c Chart) RunLength(p float64, within ...int) (RunLength, error) {
	if err := c.check(p); err != nil {
		return RunLength{}, err
	}
	limit, err := furthest(within)
	if err != nil {
		return RunLength{}, err
	}
	w := walk{c.Scores, c.Threshold, p}
	to := extent{exactly: max(limit, 256)}
	again, err := w.excursion(0, to)
	if err != nil {
		return RunLength{}, err
	}
	first := again
	average := again.mean / again.alarm
	if c.HeadStart > 0 {
		if first, err = w.excursion(c.HeadStart, to); err != nil {
			return RunLength{}, err
		}
		average = first.mean + float64((1-first.alarm)*average)
	}
	if !finite(average) {
		return RunLength{}, tooLong(c.Threshold)
	}
	by := alarmBy(first, again, to.exactly)
	median, err := w.median(c.HeadStart, first, again, by)
	if err != nil {
		return RunLength{}, err
	}
	return RunLength{AverageRunLength: average, MedianRunLength: median, AlarmWithin: pick(by, within)}, nil
}

// Alarms gives the chance of an alarm at or before each case from 0 to limit
// (at most 10000), exactly, when the true chance of an event is p.
func (c Chart) Alarms(p float64, limit int) ([]float64, error) {
	if err := c.check(p); err != nil {
		return nil, err
	}
	if _, err := furthest([]int{limit}); err != nil {
		return nil, err
	}
	return walk{c.Scores, c.Threshold, p}.alarms(c.HeadStart, limit)
}

func (w walk) alarms(start float64, limit int) ([]float64, error) {
	to := extent{exactly: limit, only: true}
	again, err := w.excursion(0, to)
	if err != nil {
		return nil, err
	}
	first := again
	if start > 0 {
		if first, err = w.excursion(start, to); err != nil {
			return nil, err
		}
	}
	return alarmBy(first, again, limit), nil
}

// average is the average run length from start, in cases.
func (w walk) average(start float64) (float64, error) {
	again, err := w.excursion(0, extent{})
	if err != nil {
		return 0, err
	}
	average := again.mean / again.alarm
	if start > 0 {
		first, err := w.excursion(start, extent{})
		if err != nil {
			return 0, err
		}
		average = first.mean + float64((1-first.alarm)*average)
	}
	if finite(average) {
		return average, nil
	}
	return 0, tooLong(w.threshold)
}

// FewestCases is the smallest number of cases after which the chart can alarm:
// all of the kind whose score is above 0. On a competence chart these are clean
// cases.
func (c Chart) FewestCases() (int, error) {
	if err := c.check(0.5); err != nil {
		return 0, err
	}
	rise := math.Max(c.Scores.Event, c.Scores.NoEvent)
	cases := math.Ceil(float64((c.Threshold-c.HeadStart)/rise) - 1e-12)
	if cases > maxCases {
		return 0, tooLong(c.Threshold)
	}
	return max(1, int(cases)), nil
}

// maxWithin bounds a number of cases asked about: more than a surgeon does.
const maxWithin = 10_000

func furthest(within []int) (int, error) {
	limit := 0
	for _, n := range within {
		if n < 1 || n > maxWithin {
			return 0, outsideCount("within_cases", n, "1 to 10000")
		}
		limit = max(limit, n)
	}
	return limit, nil
}

func pick(by []float64, within []int) []AlarmWithin {
	out := make([]AlarmWithin, 0, len(within))
	for _, n := range within {
		out = append(out, AlarmWithin{Cases: n, Chance: by[n]})
	}
	return out
}

// alarmBy gives the chance of an alarm at or before case n, for n from 0 to
// limit, by the renewal equation: a chart alarms in its first excursion, or it
// has returned to 0 and begins again.
func alarmBy(first, again cycle, limit int) []float64 {
	at := renewed(again, nil, limit)
	if len(first.alarms) != len(again.alarms) || first.alarm != again.alarm || first.mean != again.mean {
		at = renewed(first, at, limit)
	}
	sum := 0.0
	for n := range at {
		sum += at[n]
		at[n] = math.Min(1, sum)
	}
	return at
}

// renewed gives the chance of an alarm at exactly each case for a chart whose
// first excursion is c and which goes on as after; nil is "as itself".
func renewed(c cycle, after []float64, limit int) []float64 {
	at := make([]float64, limit+1)
	if after == nil {
		after = at
	}
	for _, e := range c.alarms {
		// Endings past the exact ones have a mean that rounding can lower a little.
		if n := int(math.Round(e.cases)); n <= limit {
			at[n] += e.chance
		}
	}
	back := make([]int, len(c.returns))
	for i, e := range c.returns {
		back[i] = int(math.Round(e.cases))
	}
	for n := 1; n <= limit; n++ {
		sum := at[n]
		for i, b := range back {
			if b >= n {
				break
			}
			sum += float64(c.returns[i].chance * after[n-b])
		}
		at[n] = sum
	}
	return at
}
