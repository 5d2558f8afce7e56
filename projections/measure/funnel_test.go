package measure

import (
	"errors"
	"fmt"
	"math"
	"testing"
)

func TestFunnelLimitsEqualReference(t *testing.T) {
	rows := 0
	for _, r := range readRows(t, "funnel_limits") {
		rows++
		target, n, conf := r.number("target"), r.whole("n"), r.number("level")
		exact := must[Interval](t)(ExactFunnelLimits(target, n, conf))
		r.absolute("lower_exact", exact.Lower, 1e-9)
		r.absolute("upper_exact", exact.Upper, 1e-9)
		normal := must[Interval](t)(NormalFunnelLimits(target, n, conf))
		r.absolute("lower_normal", normal.Lower, 1e-9)
		r.absolute("upper_normal", normal.Upper, 1e-9)
		tail := (1 - conf) / 2
		// Both ways to find an edge, whichever would be taken.
		for _, side := range []struct {
			name string
			p    float64
		}{{"lower", tail}, {"upper", 1 - tail}} {
			for _, e := range []funnelEdge{edgeAt(side.p, target, n), edgeSearched(side.p, target, n)} {
				if e.r != r.whole("r_"+side.name) {
					t.Errorf("%s: %s r is %d, want %d", r.where, side.name, e.r, r.whole("r_"+side.name))
				}
				r.absolute("alpha_"+side.name, e.share, 1e-8)
			}
		}
	}
	if rows != 72 {
		t.Errorf("tested %d rows, want 72", rows)
	}
}

// Limits about 1.92 %, computed in R from the formula of Spiegelhalter DJ. Stat
// Med 2005;24:1185-1202 (from memory).
func TestFunnelLimitsOfRupture(t *testing.T) {
	for _, c := range []struct {
		n                                                 int
		lower998, lower95, upper95, upper998, upperNormal float64
	}{
		{50, 0, 0, 5.660, 9.468, 7.917},
		{100, 0, 0, 4.612, 6.889, 6.161},
		{500, 0.223, 0.701, 3.119, 3.975, 3.816},
		{1000, 0.672, 1.063, 2.767, 3.345, 3.261},
	} {
		at95 := must[Interval](t)(ExactFunnelLimits(0.0192, c.n, 0.95))
		at998 := must[Interval](t)(ExactFunnelLimits(0.0192, c.n, 0.998))
		normal := must[Interval](t)(NormalFunnelLimits(0.0192, c.n, 0.998))
		what := fmt.Sprintf("n = %d, per cent", c.n)
		near(t, what, 100*at998.Lower, c.lower998, 0.5e-3+1e-9)
		near(t, what, 100*at95.Lower, c.lower95, 0.5e-3+1e-9)
		near(t, what, 100*at95.Upper, c.upper95, 0.5e-3+1e-9)
		near(t, what, 100*at998.Upper, c.upper998, 0.5e-3+1e-9)
		near(t, what, 100*normal.Upper, c.upperNormal, 0.5e-3+1e-9)
	}
}

func referenceUnits(t *testing.T) []Unit {
	t.Helper()
	var units []Unit
	for _, r := range readRows(t, "funnel_units") {
		units = append(units, Unit{Code: r.text("unit"), Events: r.whole("y"), N: r.whole("n")})
	}
	return units
}

func TestDispersionEqualsReference(t *testing.T) {
	units := referenceUnits(t)
	near(t, "pooled target", must[float64](t)(PooledTarget(units)), 0.0235909938333572, 1e-15)
	tested := 0
	for _, r := range readRows(t, "funnel_overdispersion") {
		if rule := r.text("winsor_rule"); rule != "type7" && rule != "none" {
			continue // the other readings of the rule are not offered
		}
		tested++
		got := must[Dispersion](t)(NewDispersion(r.number("target"), units, r.number("winsor")))
		r.absolute("z_low", got.Low, 1e-9)
		r.absolute("z_high", got.High, 1e-9)
		r.relative("phi", got.Phi, 1e-9)
		r.absolute("tau2_additive", got.Tau2, 1e-12)
		if got.Units != r.whole("units") {
			t.Errorf("%s: %d units", r.where, got.Units)
		}
	}
	if tested != 4 {
		t.Errorf("tested %d rows, want 4", tested)
	}
}

func TestFunnelUnitsEqualReference(t *testing.T) {
	units := referenceUnits(t)
	target := must[float64](t)(PooledTarget(units))
	d := must[Dispersion](t)(NewDispersion(target, units, WinsorShare))
	f := must[Funnel](t)(NewFunnel(FunnelRequest{Target: target, MinimumCases: 1, Units: units}))
	if f.Dispersion == nil || *f.Dispersion != d {
		t.Errorf("funnel's dispersion %+v, want %+v", f.Dispersion, d)
	}
	for i, r := range readRows(t, "funnel_units") {
		p := f.Points[i]
		if p.Code != r.text("unit") {
			t.Fatalf("point %d is unit %s, want the given order", i, p.Code)
		}
		r.absolute("rate", p.Rate, 1e-12)
		r.absolute("z", p.Z, 1e-9)
		r.absolute("z_tau", must[float64](t)(ZScore(units[i], target, d.Tau2)), 1e-9)
		r.absolute("z", must[float64](t)(ZScore(units[i], target, 0)), 1e-9)
		wide := must[Interval](t)(MultiplicativeFunnelLimits(target, p.N, 0.95, d.Phi))
		r.absolute("lower95_phi", wide.Lower, 1e-9)
		r.absolute("upper95_phi", wide.Upper, 1e-9)
		// Above the limit: no more than 2.5 % are expected beyond the unit's count.
		beyond := r.number("p_upper_exact") - binomialPoint(p.Events, p.N, target)
		if want := p.Events > 0 && beyond <= 0.025; (p.Position95 == Above) != want {
			t.Errorf("%s: position %s with a chance of %g beyond it", r.where, p.Position95, beyond)
		}
		additive := must[Interval](t)(AdditiveFunnelLimits(target, p.N, 0.998, d.Tau2))
		if *p.Dispersed998 != additive {
			t.Errorf("%s: dispersed limits %+v, want %+v", r.where, *p.Dispersed998, additive)
		}
		if additive.Lower > 0 {
			// z at the limit, spread included, is the normal quantile: 3.0902 at 0.1 %.
			z := (target - additive.Lower) / (target - p.Rate) * r.number("z_tau")
			near(t, r.where+" z at the limit", math.Abs(z), 3.0902323061678132, 1e-9)
		}
	}
}

// Ten made-up units, computed in R from the formulas; target their pooled rate.
func TestDispersionOfTenUnits(t *testing.T) {
	observed := []int{3, 8, 5, 12, 2, 9, 15, 4, 7, 10}
	cases := []int{200, 300, 250, 400, 180, 310, 420, 260, 330, 500}
	z := []float64{-0.8172, 0.3246, -0.3951, 0.8121, -1.1175, 0.6032, 1.6003, -0.8911, -0.3095, -0.5587}
	var units []Unit
	for i := range observed {
		units = append(units, Unit{Events: observed[i], N: cases[i]})
	}
	target := must[float64](t)(PooledTarget(units))
	near(t, "target", target, 0.02380952, 0.5e-8)
	for i, u := range units {
		near(t, "z", must[float64](t)(ZScore(u, target, 0)), z[i], 0.5e-4)
	}
	near(t, "phi", must[Dispersion](t)(NewDispersion(target, units, 0)).Phi, 0.696432, 0.5e-6)
	got := must[Dispersion](t)(NewDispersion(target, units, 0.1))
	near(t, "phi, winsorised", got.Phi, 0.478317, 0.5e-6)
	if got.Tau2 != 0 {
		t.Errorf("tau2 %g, want exactly 0", got.Tau2)
	}
}

// The chances outside are computed in fractions.
func TestUnitsOutsideByChance(t *testing.T) {
	for _, c := range []struct {
		target       float64
		n            int
		level        string
		below, above float64
	}{
		{0.0192, 50, "95", 0, 0.07130073262923806},
		{0.0192, 200, "95", 0.02070577235120909, 0.040572349497219856},
		{0.0192, 500, "99.8", 0.0006655284652233546, 0.0019815987018999134},
		{0.01, 100, "99.8", 0, 0.003432321587754515},
		{0.05, 350, "95", 0.01787999530478327, 0.030279598517604346},
	} {
		for _, count := range []int{1, 20} {
			units := make([]Unit, count)
			for i := range units {
				units[i] = Unit{Events: int(c.target * float64(c.n)), N: c.n}
			}
			f := must[Funnel](t)(NewFunnel(FunnelRequest{Target: c.target, MinimumCases: 1, Units: units}))
			got, nominal := f.Outside95, 0.05
			if c.level == "99.8" {
				got, nominal = f.Outside998, 0.002
			}
			chance, k := c.below+c.above, float64(count)
			near(t, "expected outside", got.Expected, k*chance, k*1e-12)
			near(t, "nominal", got.Nominal, k*nominal, 1e-12)
			near(t, "at least one", got.AtLeastOne, 1-math.Pow(1-chance, k), 1e-11)
			if got.Units != 0 {
				t.Errorf("%+v: units at the target lie outside", c)
			}
		}
	}
}

// A count is outside exactly when its rate lies past the limit shown.
func TestFunnelPositions(t *testing.T) {
	for _, target := range []float64{0.01, 0.0192, 0.3, 0.97} {
		for _, n := range []int{50, 137, 2000} {
			units := make([]Unit, 0, n+1)
			for events := range n + 1 {
				units = append(units, Unit{Events: events, N: n})
			}
			f := must[Funnel](t)(NewFunnel(FunnelRequest{Target: target, MinimumCases: 50, Units: units}))
			outside := 0
			for _, p := range f.Points {
				want := Inside
				if p.Rate < p.Limits95.Lower {
					want = Below
				} else if p.Rate > p.Limits95.Upper {
					want = Above
				}
				if p.Position95 != want {
					t.Errorf("target %g, %d of %d: %s of %+v", target, p.Events, n, p.Position95, p.Limits95)
				}
				if want != Inside {
					outside++
				} else if p.Position998 != Inside {
					t.Errorf("target %g, %d of %d: inside 95 %% and outside 99.8 %%", target, p.Events, n)
				}
			}
			if f.Outside95.Units != outside || outside == 0 {
				t.Errorf("target %g, n %d: %d outside, counted %d", target, n, f.Outside95.Units, outside)
			}
		}
	}
}

func TestFunnelHoldsBackSmallUnits(t *testing.T) {
	units := []Unit{{"a", 1, 49}, {"b", 0, 0}, {"c", 2, 50}}
	f := must[Funnel](t)(NewFunnel(FunnelRequest{Target: .02, MinimumCases: FunnelMinimum, Units: units}))
	if len(f.Points) != 1 || f.Points[0].Code != "c" || f.HeldBack != 2 {
		t.Errorf("got %+v, want unit c alone and two held back", f)
	}
	if f.Dispersion != nil || f.Points[0].Dispersed95 != nil {
		t.Errorf("one unit has no spread between units: %+v", f.Dispersion)
	}
	near(t, "nominal of one unit", f.Outside95.Nominal, .05, 1e-15)
	if _, err := NewFunnel(FunnelRequest{Target: .02, MinimumCases: FunnelMinimum, Units: units[:2]}); !errors.Is(err, ErrNoCases) {
		t.Errorf("no unit with enough: got %v, want ErrNoCases", err)
	}
}

func TestMultiplicativeLimitsAreNeverNarrower(t *testing.T) {
	if got, normal := must[Interval](t)(MultiplicativeFunnelLimits(.02, 500, .95, .4)), must[Interval](t)(NormalFunnelLimits(.02, 500, .95)); got.Lower != normal.Lower || got.Upper != normal.Upper {
		t.Errorf("phi 0.4: %+v, want the normal limits %+v", got, normal)
	}
}

func TestFunnelRefuses(t *testing.T) {
	good := []Unit{{"a", 1, 100}, {"b", 2, 100}}
	for _, c := range []struct {
		request FunnelRequest
		want    string
	}{
		{FunnelRequest{0, 50, good}, "target"}, {FunnelRequest{1, 50, good}, "target"}, {FunnelRequest{math.NaN(), 50, good}, "target"},
		{FunnelRequest{.02, 0, good}, "minimum_cases"}, {FunnelRequest{.02, -1, good}, "minimum_cases"},
		{FunnelRequest{.02, 50, []Unit{{"a", 1, 100}, {"b", 3, 2}}}, "events of unit 2"},
		{FunnelRequest{.02, 50, []Unit{{"a", -1, 100}}}, "events of unit 1"},
		{FunnelRequest{.02, 50, []Unit{{"a", 0, -1}}}, "n of unit 1"},
		{FunnelRequest{.02, 50, make([]Unit, maxUnits+1)}, "number of units"},
	} {
		_, err := NewFunnel(c.request)
		refused(t, "funnel", err, c.want)
	}
	for name, limits := range funnelLimits(1.2, 1e-5) {
		_, err := limits(1.5, 10, .95)
		refused(t, name, err, "target")
		_, err = limits(.02, -1, .95)
		refused(t, name, err, "n")
		_, err = limits(.02, 10, 1)
		refused(t, name, err, "conf")
		if _, err = limits(.02, 0, .95); !errors.Is(err, ErrNoCases) {
			t.Errorf("%s: got %v, want ErrNoCases", name, err)
		}
	}
	_, err := MultiplicativeFunnelLimits(.02, 10, .95, -1)
	refused(t, "multiplicative", err, "phi")
	_, err = AdditiveFunnelLimits(.02, 10, .95, math.NaN())
	refused(t, "additive", err, "tau2")
	_, err = ZScore(good[0], .02, -1)
	refused(t, "z", err, "tau2")
	_, err = ZScore(Unit{Events: 3, N: 2}, .02, 0)
	refused(t, "z", err, "events")
	_, err = NewDispersion(.02, good[:1], .1)
	refused(t, "a single unit", err, "number of units")
	_, err = NewDispersion(0, good, .1)
	refused(t, "dispersion", err, "target")
	_, err = NewDispersion(.02, good, .5)
	refused(t, "dispersion", err, "winsor")
	if _, err = NewDispersion(.02, []Unit{{"a", 1, 100}, {}}, .1); !errors.Is(err, ErrNoCases) {
		t.Errorf("a unit without cases: got %v, want ErrNoCases", err)
	}
	_, err = PooledTarget([]Unit{{"a", 0, 100}, {"b", 0, 50}})
	refused(t, "no event in any unit", err, "pooled rate")
	_, err = PooledTarget([]Unit{{"a", 9, 5}})
	refused(t, "pooled", err, "events of unit 1")
	if _, err = PooledTarget(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("no units: got %v, want ErrNoCases", err)
	}
}

func funnelLimits(phi, tau2 float64) map[string]func(target float64, n int, conf float64) (Interval, error) {
	return map[string]func(target float64, n int, conf float64) (Interval, error){
		"exact":  ExactFunnelLimits,
		"normal": NormalFunnelLimits,
		"multiplicative": func(target float64, n int, conf float64) (Interval, error) {
			return MultiplicativeFunnelLimits(target, n, conf, phi)
		},
		"additive": func(target float64, n int, conf float64) (Interval, error) {
			return AdditiveFunnelLimits(target, n, conf, tau2)
		},
	}
}

func FuzzFunnel(f *testing.F) {
	f.Add(0.0192, 2, 100, 11, 300, 1, 0.95, 0.1, 1.2, 1e-5)
	f.Add(1e-12, 1_000_000_000, 1_000_000_000, 0, 1, 1, 0.999999, 0.0, 0.0, 0.0)
	f.Add(0.999, 0, 5000, 5000, 5000, 50, 0.5, 0.49, 1e9, 1.0)
	f.Fuzz(func(t *testing.T, target float64, x1, n1, x2, n2, minimum int, conf, winsor, phi, tau2 float64) {
		for name, limits := range funnelLimits(phi, tau2) {
			got, err := limits(target, n1, conf)
			if orRefused(t, err) && !(0 <= got.Lower && got.Lower <= got.Upper && got.Upper <= 1) {
				t.Errorf("%s about %g, n %d at %g: %+v", name, target, n1, conf, got)
			}
		}
		units := []Unit{{"a", x1, n1}, {"b", x2, n2}, {"c", x1, n1}}
		if z, err := ZScore(units[0], target, tau2); orRefused(t, err) {
			allFinite(t, "z", z)
		}
		if d, err := NewDispersion(target, units, winsor); orRefused(t, err) {
			allFinite(t, "dispersion", d.Phi, d.Tau2, d.Low, d.High)
			if d.Phi < 0 || d.Tau2 < 0 || d.Low > d.High {
				t.Errorf("dispersion %+v", d)
			}
		}
		if pooled, err := PooledTarget(units); orRefused(t, err) && !(pooled > 0 && pooled < 1) {
			t.Errorf("pooled target %g", pooled)
		}
		got, err := NewFunnel(FunnelRequest{Target: target, MinimumCases: minimum, Units: units})
		if !orRefused(t, err) {
			return
		}
		if len(got.Points)+got.HeldBack != len(units) {
			t.Errorf("units lost: %+v", got)
		}
		for _, o := range []Outside{got.Outside95, got.Outside998} {
			allFinite(t, "outside", o.Expected, o.Nominal, o.AtLeastOne)
			if o.Expected < 0 || o.AtLeastOne < -1e-12 || o.AtLeastOne > 1+1e-12 {
				t.Errorf("outside %+v", o)
			}
		}
	})
}
