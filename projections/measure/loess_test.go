package measure

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// R's loess with surface = "direct" and statistics = "exact". Its default,
// interpolated surface differs by up to 0.24 % and is not copied, nor are its
// robust steps.
func TestLoessEqualsReference(t *testing.T) {
	values, _ := learningCurve(t)
	slices.Reverse(values) // the order does not matter
	tested := 0
	for _, r := range readRows(t, "learning_curve_fit") {
		rest, ok := strings.CutPrefix(r.text("model"), "loess_direct_span")
		if !ok {
			continue
		}
		tested++
		text, degree, _ := strings.Cut(rest, "_degree")
		span, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		got := must[[]SmoothPoint](t)(Loess(values, span, int(degree[0]-'0'), []int{r.whole("x")}))
		r.absolute("value", got[0].Value, 1e-8)
		r.absolute("se", got[0].SE, 1e-8)
	}
	if tested != 60 {
		t.Errorf("tested %d points, want 60", tested)
	}
}

// A line is drawn as a line and a parabola as a parabola.
func TestLoessKeepsPolynomials(t *testing.T) {
	var line, parabola []CaseValue
	var at []int
	for n := 1; n <= 40; n++ {
		x := float64(n)
		line, parabola, at = append(line, CaseValue{n, 3 - x}), append(parabola, CaseValue{n, 2 + x*x/10}), append(at, n)
	}
	for i, p := range must[[]SmoothPoint](t)(Loess(line, .3, 1, at)) {
		near(t, "line", p.Value, line[i].Value, 1e-10)
		near(t, "its standard error", p.SE, 0, 1e-9)
	}
	for i, p := range must[[]SmoothPoint](t)(Loess(parabola, .3, 2, at)) {
		near(t, "parabola", p.Value, parabola[i].Value, 1e-9)
	}
}

func TestLoessRefuses(t *testing.T) {
	values := []CaseValue{{1, 1}, {2, 3}, {3, 2}, {4, 5}, {5, 4}, {6, 6}}
	for _, span := range []float64{0, .09, 1.1, math.NaN(), math.Inf(1)} {
		_, err := Loess(values, span, 1, nil)
		refused(t, "span", err, "span")
	}
	_, err := Loess(values, .2, 1, nil)
	refused(t, "one value in the span", err, "span")
	_, err = Loess(values, 1, 0, nil)
	refused(t, "degree", err, "degree")
	_, err = Loess(values, 1, 3, nil)
	refused(t, "degree", err, "degree")
	_, err = Loess(values, 1, 1, []int{1, 7})
	refused(t, "beyond the cases", err, "at[1]")
	_, err = Loess(values, 1, 1, []int{0})
	refused(t, "before the cases", err, "at[0]")
	_, err = Loess(make([]CaseValue, maxLoess+1), 1, 1, nil)
	refused(t, "too many", err, "values")
	_, err = Loess([]CaseValue{{1, 1}, {1, 2}, {1, 3}}, 1, 1, nil)
	refused(t, "one case number", err, "different case numbers near case 1")
	_, err = Loess([]CaseValue{{1, 1}, {2, 2}, {3, 3}, {4, 0}}, 1, 2, nil)
	refused(t, "through every value", err, "values")
}
