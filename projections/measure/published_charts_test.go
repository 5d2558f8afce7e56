package measure

import (
	"math"
	"testing"
)

// normalGrid is a chart of scores z - k with z normal, mean mu and variance 1, in
// steps of which the threshold is nodes - 1/2: node i stands for the values next
// to i steps, as in Brook D, Evans DA. Biometrika 1972;59:539-549.
func normalGrid(mu, k, h float64, nodes int) *grid {
	width := h / (float64(nodes) - 0.5)
	below := func(x float64) float64 { return 0.5 * math.Erfc(-(x-mu+k)/math.Sqrt2) }
	m := newMover(nodes)
	var steps []jump
	for i := -nodes; i <= nodes; i++ {
		low, high := below((float64(i)-0.5)*width), below((float64(i)+0.5)*width)
		if i == -nodes {
			low = 0
		}
		if i == nodes {
			high = 1
		}
		m.add(float64(i), high-low, true)
		steps = append(steps, jump{float64(i) * width, high - low})
	}
	g := m.grid()
	g.describe(steps, width)
	g.exact = true
	return g
}

// Page ES. Biometrika 1954;41:100-115, with the values of a general statistics
// library: the lattice takes any discrete score. The error falls with the square
// of the step, so two lattices extrapolate.
func TestNormalCUSUMEqualsPublished(t *testing.T) {
	for _, r := range readPublished(t, "normal_cusum") {
		at := func(nodes int) float64 {
			g := normalGrid(r.number("mean"), r.number("k"), r.number("h"), nodes)
			zero, _ := g.from(0)
			return must[float64](t)(g.average(zero))
		}
		coarse, fine := at(100), at(200)
		r.absolute("arl", fine+(fine-coarse)/3, r.number("half_unit")+2e-4)
		if math.Abs(fine/coarse-1) > 2e-3 {
			t.Errorf("%s: %g with 100 nodes, %g with 200", r.where, coarse, fine)
		}
	}
}

// de Leval MR et al. J Thorac Cardiovasc Surg 1994;107:914-924, whose alert and
// alarm lines these are: 2 % against 5 %, never reset. Chart values computed in
// R.
func TestArterialSwitchBoundaryChart(t *testing.T) {
	for _, c := range []struct {
		alpha, beta, h1 float64
		crossing        int
	}{{.05, .2, 2.9266, 63}, {.01, .1, 4.7497, 67}} {
		chart := must[BoundaryChart](t)(NewBoundaryChart(.02, .05, c.alpha, c.beta))
		near(t, "s", chart.S, .0328174, 0.5e-7)
		near(t, "h1", chart.H1, c.h1, 0.5e-4)
		var scores []float64
		for _, r := range readPublished(t, "arterial_switch") {
			scores = append(scores, chart.Scores().Of(r.whole("death") == 1))
		}
		limits := WaldLimits{Lower: -1e5, Upper: chart.H1} // never reset
		top, last := 0, 0.0
		points := must[[]TestPoint](t)(ResettingPath(scores, limits))
		for i, p := range points {
			if p.Alarm && i+1 != c.crossing {
				t.Errorf("crosses %g at operation %d, want %d", c.h1, i+1, c.crossing)
			}
			if p.Value > points[top].Value {
				top = i
			}
			last = p.Value
		}
		near(t, "highest", points[top].Value, 5.768417, 0.5e-6)
		near(t, "last", last, 5.586991, 0.5e-6)
		if top+1 != 68 || !points[103].Alarmed {
			t.Errorf("highest at operation %d, want 68; alarmed %v", top+1, points[103].Alarmed)
		}
	}
}

// Leandro G et al. Postgrad Med J 2005;81:647-652: 24 % against 30 %, one false
// alarm in 500. The threshold and what it does are computed in R.
func TestLiverTransplantDesignIsFound(t *testing.T) {
	d := must[Design](t)(NewDesign(DesignRequest{Acceptable: .24, Unacceptable: .30, RunLength: 500}))
	near(t, "threshold", d.Threshold, 1.8899, 2e-4)
	near(t, "out of control", d.OutOfControl.AverageRunLength, 122.4, 0.3)
	near(t, "on the scale of X - gamma", d.Threshold/(d.Scores.Event-d.Scores.NoEvent), 6.189, 1e-3)
	near(t, "gamma", d.Scores.NoEvent/(d.Scores.NoEvent-d.Scores.Event), .269296, 0.5e-6)
}

// Puliyel A, Puliyel J. Br J Ophthalmol 2011;95:295: 5 failures in 48, the score
// of a success and of a failure as printed. It is twice expected less observed,
// with everyone's risk the overall rate, and so ends at 0.
func TestCentredChart(t *testing.T) {
	risks, events := make([]float64, 48), make([]bool, 48)
	for i := range risks {
		risks[i], events[i] = 5.0/48, i%10 == 9 || i == 20
	}
	line := must[[]float64](t)(ObservedMinusExpected(risks, events))
	before := 0.0
	for i, at := range line {
		want := 0.208333
		if events[i] {
			want = -1.791667
		}
		near(t, "score", -2*(at-before), want, 0.5e-6+1e-12)
		before = at
	}
	near(t, "end", before, 0, 1e-12)
}

// The one-sided count form C = max(0, C + X - k) of Page's chart is a chart of
// log-likelihood ratios in another unit.
func TestCountFormIsTheSameChart(t *testing.T) {
	s := must[Scores](t)(BernoulliScores(.05, .1))
	unit := s.Event - s.NoEvent
	k := -s.NoEvent / unit
	for _, p := range []float64{.05, .1} {
		a := must[RunLength](t)(Chart{Scores: s, Threshold: 2.4}.RunLength(p, 100))
		b := must[RunLength](t)(Chart{Scores: Scores{Event: 1 - k, NoEvent: -k}, Threshold: 2.4 / unit}.RunLength(p, 100))
		sameRun(t, "count form", b, a, 1e-11)
	}
}
