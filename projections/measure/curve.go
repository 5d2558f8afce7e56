package measure

import (
	"slices"
	"strconv"
)

// maxValue bounds a value on a learning curve: it keeps sums of squares finite.
const maxValue = 1e9

// CaseValue is one value of a learning curve, such as minutes, at a surgeon's
// case number, counted from 1.
type CaseValue struct {
	Case  int     `json:"case_number"`
	Value float64 `json:"value"`
}

// CaseEvent is one case of a learning curve with whether the event happened.
type CaseEvent struct {
	Case  int  `json:"case_number"`
	Event bool `json:"event"`
}

// CaseBand is a range of case numbers, both ends included. Last is nil for the
// open band beyond the last edge.
type CaseBand struct {
	First int  `json:"first_case"`
	Last  *int `json:"last_case"`
}

// EvenEdges gives the last case of each of n bands of equal width: 100, 200, ...
// Case 100 is in the first band and case 101 in the second.
func EvenEdges(width, n int) ([]int, error) {
	if width < 1 || width > 1_000_000 {
		return nil, outsideCount("width", width, "1 to 1000000")
	}
	if n < 1 || n > 1000 {
		return nil, outsideCount("n", n, "1 to 1000")
	}
	edges := make([]int, n)
	for i := range edges {
		edges[i] = width * (i + 1)
	}
	return edges, nil
}

// caseBands gives the bands that end at the edges, and the open one after them.
func caseBands(edges []int) ([]CaseBand, error) {
	bands := make([]CaseBand, 0, len(edges)+1)
	first := 1
	for i, last := range edges {
		if last < first || last > maxCases {
			return nil, outsideCount("edges["+strconv.Itoa(i)+"]", last, "more than the edge before, at most 1000000000")
		}
		bands = append(bands, CaseBand{First: first, Last: &last})
		first = last + 1
	}
	return append(bands, CaseBand{First: first}), nil
}

// bandOf is the place of the band that holds a case.
func bandOf(edges []int, number int) int {
	place, _ := slices.BinarySearch(edges, number)
	return place
}

func checkCase(name string, i, number int) error {
	if number < 1 || number > maxCases {
		return outsideCount(name+"["+strconv.Itoa(i)+"].case_number", number, "1 to 1000000000")
	}
	return nil
}

// BandRate is the rate of events in one band of case numbers; nil without cases.
type BandRate struct {
	CaseBand
	Rate *Rate `json:"rate"`
}

// RateByBand gives the rate of events by experience: the bands end at the edges,
// and a last, open band follows. A band without cases is kept, with no rate.
//
// Source: the form of Grinton M et al. Eye 2021;35:1213-1220.
func RateByBand(cases []CaseEvent, edges []int) ([]BandRate, error) {
	bands, err := caseBands(edges)
	if err != nil {
		return nil, err
	}
	events, n := make([]int, len(bands)), make([]int, len(bands))
	for i, c := range cases {
		if err := checkCase("cases", i, c.Case); err != nil {
			return nil, err
		}
		band := bandOf(edges, c.Case)
		n[band]++
		if c.Event {
			events[band]++
		}
	}
	rates := make([]BandRate, len(bands))
	for i, band := range bands {
		rates[i].CaseBand = band
		if n[i] == 0 {
			continue
		}
		rate, err := NewRate(events[i], n[i])
		if err != nil {
			return nil, err
		}
		rates[i].Rate = &rate
	}
	return rates, nil
}

// BandPercentiles are the percentiles of one band of case numbers, in the order
// they were asked for. Mean is nil and Percentiles is empty without cases, and SD
// (n-1) is nil below two.
type BandPercentiles struct {
	CaseBand
	N           int       `json:"n"`
	Mean        *float64  `json:"mean"`
	SD          *float64  `json:"sd"`
	Percentiles []float64 `json:"percentiles"`
}

// PercentilesByBand gives the quantiles (rule 7) of the values by experience, in
// bands as for RateByBand. The order of the values does not matter.
//
// Source: Hyndman RJ, Fan Y. Am Stat 1996;50:361-365, rule 7.
func PercentilesByBand(values []CaseValue, edges []int, shares ...float64) ([]BandPercentiles, error) {
	bands, err := caseBands(edges)
	if err != nil {
		return nil, err
	}
	for _, p := range shares {
		if err := checkShare("share", p); err != nil {
			return nil, err
		}
	}
	lists := make([][]float64, len(bands))
	for i, v := range values {
		if err := checkCaseValue(i, v); err != nil {
			return nil, err
		}
		band := bandOf(edges, v.Case)
		lists[band] = append(lists[band], v.Value)
	}
	out := make([]BandPercentiles, len(bands))
	for i, list := range lists {
		out[i] = BandPercentiles{CaseBand: bands[i], N: len(list), Percentiles: []float64{}}
		if len(list) == 0 {
			continue
		}
		slices.Sort(list)
		mean, sd := meanAndSD(list)
		out[i].Mean, out[i].SD = &mean, sd
		for _, p := range shares {
			out[i].Percentiles = append(out[i].Percentiles, quantileOf(list, p, 7))
		}
	}
	return out, nil
}

func checkCaseValue(i int, v CaseValue) error {
	if err := checkCase("values", i, v.Case); err != nil {
		return err
	}
	if !(v.Value >= -maxValue && v.Value <= maxValue) {
		return outside("values["+strconv.Itoa(i)+"].value", v.Value, "-1000000000 to 1000000000")
	}
	return nil
}
