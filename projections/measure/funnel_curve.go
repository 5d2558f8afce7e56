package measure

import "math"

// FunnelLimit is where the exact limits of a funnel stand for a number of cases.
type FunnelLimit struct {
	N        int     `json:"n"`
	Lower95  float64 `json:"lower_95"`
	Upper95  float64 `json:"upper_95"`
	Lower998 float64 `json:"lower_99_8"`
	Upper998 float64 `json:"upper_99_8"`
}

// funnelCurvePoints is how many places a curve has: enough for a smooth line.
const funnelCurvePoints = 48

// FunnelCurve gives the exact limits about a target from a number of cases to
// another, for drawing: places lie closer together where the limits bend. Both
// numbers are places of it. An argument out of range is an
// *ArgumentError, no cases are ErrNoCases.
func FunnelCurve(target float64, from, to int) ([]FunnelLimit, error) {
	if err := checkFunnel(target, from, 0.95); err != nil {
		return nil, err
	}
	if to < from || to > maxCases {
		return nil, outsideCount("cases", to, "the first number of cases to 1000000000")
	}
	var out []FunnelLimit
	growth := math.Pow(float64(to)/float64(from), 1.0/(funnelCurvePoints-1))
	for i := range funnelCurvePoints {
		n := int(math.Round(float64(from) * math.Pow(growth, float64(i))))
		if i == funnelCurvePoints-1 {
			n = to
		}
		if len(out) > 0 && n <= out[len(out)-1].N {
			continue
		}
		limits95, err := ExactFunnelLimits(target, n, 0.95)
		if err != nil {
			return nil, err
		}
		limits998, err := ExactFunnelLimits(target, n, 0.998)
		if err != nil {
			return nil, err
		}
		out = append(out, FunnelLimit{n, limits95.Lower, limits95.Upper, limits998.Lower, limits998.Upper})
	}
	return out, nil
}
