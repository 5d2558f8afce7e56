package portal

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

// rgb is a colour in linear light, 0 to 1.
type rgb [3]float64

func parseColour(t *testing.T, hex string) rgb {
	t.Helper()
	digits := strings.TrimPrefix(hex, "#")
	if len(digits) == 3 {
		digits = strings.Join([]string{digits[:1], digits[:1], digits[1:2], digits[1:2], digits[2:], digits[2:]}, "")
	}
	var out rgb
	for i := range out {
		n, err := strconv.ParseUint(digits[2*i:2*i+2], 16, 8)
		if err != nil {
			t.Fatalf("colour %s: %v", hex, err)
		}
		// Relative luminance as WCAG 2.2 defines it.
		if c := float64(n) / 255; c <= 0.04045 {
			out[i] = c / 12.92
		} else {
			out[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return out
}

func contrast(a, b rgb) float64 {
	light := func(c rgb) float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }
	x, y := light(a), light(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}
