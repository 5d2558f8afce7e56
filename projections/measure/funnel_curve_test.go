package measure

import (
	"errors"
	"testing"
)

// A curve is made of the exact limits, from end to end, and narrows.
func TestFunnelCurve(t *testing.T) {
	for _, c := range []struct {
		target   float64
		from, to int
	}{{.0101, 50, 4000}, {.05, 50, 50}, {.05, 50, 60}, {.25, 1, 200_000}} {
		curve := must[[]FunnelLimit](t)(FunnelCurve(c.target, c.from, c.to))
		if curve[0].N != c.from || curve[len(curve)-1].N != c.to || len(curve) > funnelCurvePoints {
			t.Errorf("%+v: %d places from %d to %d", c, len(curve), curve[0].N, curve[len(curve)-1].N)
		}
		for i, p := range curve {
			l95, l998 := must[Interval](t)(ExactFunnelLimits(c.target, p.N, .95)), must[Interval](t)(ExactFunnelLimits(c.target, p.N, .998))
			if p.Lower95 != l95.Lower || p.Upper95 != l95.Upper || p.Lower998 != l998.Lower || p.Upper998 != l998.Upper {
				t.Errorf("%+v at %d: %+v, the limits are %v and %v", c, p.N, p, l95, l998)
			}
			if i > 0 && p.N <= curve[i-1].N {
				t.Errorf("%+v: %d follows %d", c, p.N, curve[i-1].N)
			}
		}
	}
	for _, c := range []struct {
		target   float64
		from, to int
	}{{0, 50, 60}, {1, 50, 60}, {.05, -1, 60}, {.05, 50, 49}} {
		if _, err := FunnelCurve(c.target, c.from, c.to); !errors.As(err, new(*ArgumentError)) {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
