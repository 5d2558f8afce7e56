package learning

import (
	"fmt"
	"slices"
	"strings"
)

// Minimum is a least number of whole cases.
type Minimum struct {
	Name    string `json:"name"`
	Cases   int    `json:"cases"`
	Source  string `json:"source"`
	Reached bool   `json:"reached"`
}

// Minimums are the published counts: none says when somebody is safe to operate
// alone.
var Minimums = []Minimum{
	{Name: "usa", Cases: 86, Source: "ACGME case log, March 2021: as primary surgeon"},
	{Name: "uk", Cases: 350, Source: "Grinton M et al. Eye 2021;35:1213-1220: before completion of training"},
}

// largestMinimum bounds a setting that was mistyped.
const largestMinimum = 100_000

// MinimumsOf reads a service's own setting: whole cases by name, from 1 on. A
// published count keeps its source, any other says that it was set here. None gives
// the published ones.
func MinimumsOf(set map[string]int) ([]Minimum, error) {
	if len(set) == 0 {
		return slices.Clone(Minimums), nil
	}
	var out []Minimum
	for name, cases := range set {
		if name == "" || cases < 1 || cases > largestMinimum {
			return nil, fmt.Errorf("minimum %q of %d cases: allowed is a name and a whole number from 1 to %d", name, cases, largestMinimum)
		}
		m := Minimum{Name: name, Cases: cases, Source: "set by whoever runs this service"}
		for _, p := range Minimums {
			if p.Name == name && p.Cases == cases {
				m.Source = p.Source
			}
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Minimum) int {
		if a.Cases != b.Cases {
			return a.Cases - b.Cases
		}
		return strings.Compare(a.Name, b.Name)
	})
	return out, nil
}

// Against gives the progress beside some minimums, the least first.
func (p Progress) Against(minimums []Minimum) Progress {
	p.Minimums, p.NextMinimum = slices.Clone(minimums), nil
	for i := range p.Minimums {
		m := &p.Minimums[i]
		if m.Reached = p.CaseNumber >= m.Cases; !m.Reached && p.NextMinimum == nil {
			p.NextMinimum = m
		}
	}
	return p
}
