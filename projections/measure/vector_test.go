package measure

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

func TestPowerVectorsEqualReference(t *testing.T) {
	for _, r := range readRows(t, "power_vectors") {
		minus := Refraction{r.number("sphere_minus"), r.number("cyl_minus"), new(r.number("axis_minus"))}
		plus := Refraction{r.number("sphere_plus"), r.number("cyl_plus"), new(r.number("axis_plus"))}
		for _, lens := range []Refraction{minus, plus} {
			v := must[PowerVector](t)(lens.Vector())
			r.absolute("M", v.M, 1e-10)
			r.absolute("J0", v.J0, 1e-10)
			r.absolute("J45", v.J45, 1e-10)
			r.absolute("B", must[float64](t)(v.Blur()), 1e-10)
			r.absolute("spherical_equivalent", must[float64](t)(lens.SphericalEquivalent()), 1e-10)
			// Back again, in minus cylinder.
			back := must[Refraction](t)(v.Refraction())
			sameLens(t, r.where, back, minus)
			sameLens(t, r.where+" plus", must[Refraction](t)(lens.PlusCylinder()), plus)
			sameLens(t, r.where+" minus", must[Refraction](t)(lens.MinusCylinder()), minus)
		}
	}
}

func sameLens(t *testing.T, what string, got, want Refraction) {
	t.Helper()
	near(t, what+" sphere", got.Sphere, want.Sphere, 1e-10)
	near(t, what+" cylinder", got.Cylinder, want.Cylinder, 1e-10)
	if want.Cylinder == 0 {
		if got.Axis != nil {
			t.Errorf("%s: axis %g without a cylinder", what, *got.Axis)
		}
		return
	}
	if got.Axis == nil || *got.Axis < 0 || *got.Axis >= 180 {
		t.Errorf("%s: axis %v, want one from 0 up to 180", what, got.Axis)
		return
	}
	near(t, what+" axis", *got.Axis, math.Mod(*want.Axis, 180), 1e-9)
}

// Thibos LN, Wheeler W, Horner D. Optom Vis Sci 1997;74:367-375; the last row is
// computed in R.
func TestPowerVectorsPublished(t *testing.T) {
	a := must[PowerVector](t)(Refraction{-2, -2, new(180.0)}.Vector())
	b := must[PowerVector](t)(Refraction{1, -1, new(90.0)}.Vector())
	if a != (PowerVector{-3, 1, 0}) || b != (PowerVector{.5, -.5, 0}) {
		t.Errorf("got %+v and %+v", a, b)
	}
	sum := must[Refraction](t)(PowerVector{a.M + b.M, a.J0 + b.J0, a.J45 + b.J45}.Refraction())
	sameLens(t, "sum", sum, Refraction{-2, -1, new(180.0)})
	v := must[PowerVector](t)(Refraction{-2, -1.5, new(30.0)}.Vector())
	near(t, "M", v.M, -2.75, 1e-12)
	near(t, "J0", v.J0, .375, 1e-12)
	near(t, "J45", v.J45, .649519, 5e-7)
	sameLens(t, "round trip", must[Refraction](t)(v.Refraction()), Refraction{-2, -1.5, new(30.0)})
}

func TestAxisIsUndefinedWithoutAstigmatism(t *testing.T) {
	for _, v := range []PowerVector{{}, {M: -3}, {M: 1, J0: 1e-12, J45: -1e-12}} {
		if got := must[Refraction](t)(v.Refraction()); got.Axis != nil || got.Cylinder != 0 {
			t.Errorf("%+v: %+v", v, got)
		}
	}
	if v := must[PowerVector](t)(Refraction{Sphere: 1}.Vector()); v != (PowerVector{M: 1}) {
		t.Errorf("sphere alone: %+v", v)
	}
	if got := must[Astigmatism](t)(DoubleAngle{}.Astigmatism()); got.Axis != nil || got.Amount != 0 {
		t.Errorf("no astigmatism: %+v", got)
	}
}

func TestInducedEqualsReference(t *testing.T) {
	var points []DoubleAngle
	for _, r := range readRows(t, "sia_vectors") {
		cornea := func(when string) Astigmatism {
			return Astigmatism{r.number(when+"_k_steep") - r.number(when+"_k_flat"), new(r.number(when + "_steep_axis"))}
		}
		before := must[DoubleAngle](t)(cornea("pre").DoubleAngle())
		r.absolute("pre_x", before.X, 1e-10)
		r.absolute("pre_y", before.Y, 1e-10)
		induced := must[DoubleAngle](t)(Induced(cornea("pre"), cornea("post")))
		r.absolute("sia_x", induced.X, 1e-10)
		r.absolute("sia_y", induced.Y, 1e-10)
		got := must[Astigmatism](t)(induced.Astigmatism())
		r.absolute("sia_magnitude", got.Amount, 1e-10)
		r.absolute("sia_axis_deg", *got.Axis, 1e-10)
		points = append(points, induced)
	}

	summary := map[string]row{}
	for _, r := range readRows(t, "sia_summary") {
		summary[r.text("name")] = r
	}
	equal := func(name string, got float64) {
		t.Helper()
		r, ok := summary[name]
		if !ok {
			t.Fatalf("sia_summary.csv has no %s", name)
		}
		r.absolute("value", got, 1e-10)
	}
	c := must[Centroid](t)(NewCentroid(points))
	equal("n", float64(c.N))
	equal("centroid_x", c.Mean.X)
	equal("centroid_y", c.Mean.Y)
	equal("centroid_magnitude", c.Centroid.Amount)
	equal("centroid_axis_deg", *c.Centroid.Axis)
	equal("mean_of_magnitudes", c.MeanAmount)
	equal("sd_of_magnitudes", *c.SD)
	for name, conf := range map[string]float64{"95": .95, "99.8": .998} {
		mean, next := must[Ellipse](t)(ConfidenceEllipse(points, conf)), must[Ellipse](t)(PredictionEllipse(points, conf))
		equal("mean_ellipse_semi_major_"+name, mean.SemiMajor)
		equal("mean_ellipse_semi_minor_"+name, mean.SemiMinor)
		equal("prediction_ellipse_semi_major_"+name, next.SemiMajor)
		equal("prediction_ellipse_semi_minor_"+name, next.SemiMinor)
		equal("centroid_x", mean.Centre.X)
		near(t, "angle", *mean.Angle, summary["major_axis_angle_in_double_angle_plot"].number("value"), 1e-10)
	}
	test := must[CentroidTest](t)(HotellingTest(points))
	equal("hotelling_T2_mean_zero", test.TSquared)
	equal("hotelling_F", test.F)
	equal("hotelling_df2", float64(test.DF))
	equal("hotelling_p", test.P)
}

// Computed in R by the formula of Holladay JT, Cravy TV, Koch DD. J Cataract
// Refract Surg 1992;18:429-443.
func TestInducedWorked(t *testing.T) {
	at := func(amount, axis float64) Astigmatism { return Astigmatism{amount, &axis} }
	for _, c := range []struct {
		before, after      Astigmatism
		amount, axis, x, y float64
	}{
		{at(1, 90), at(.5, 90), .5, 0, .5, 0},
		{at(1, 180), at(1, 90), 2, 90, -2, 0},
		{at(1.5, 10), at(1, 170), .975637, 120.6057, -.469846, -.855050},
		{Astigmatism{}, at(.5, 90), .5, 90, -.5, 0},
	} {
		d := must[DoubleAngle](t)(Induced(c.before, c.after))
		got := must[Astigmatism](t)(d.Astigmatism())
		near(t, "amount", got.Amount, c.amount, 5e-7)
		near(t, "axis", *got.Axis, c.axis, 5e-5)
		near(t, "x", d.X, c.x, 5e-7)
		near(t, "y", d.Y, c.y, 5e-7)
	}
	none := must[DoubleAngle](t)(Induced(at(1, 45), at(1, 45)))
	if got := must[Astigmatism](t)(none.Astigmatism()); got != (Astigmatism{}) {
		t.Errorf("no change: %+v", got)
	}
	// Kim EJ, Weikert MP, chapter 2, 10.1007/978-3-319-56565-1_2: an incision of 0.5
	// D at 180 on a spherical cornea gives with-the-rule astigmatism, steep at 90.
	flattened := must[DoubleAngle](t)(Induced(at(.5, 180), Astigmatism{}))
	if got := must[Astigmatism](t)(flattened.Astigmatism()); *got.Axis != 90 {
		t.Errorf("flattening at 180: steep at %g", *got.Axis)
	}
	turned := must[DoubleAngle](t)(flattened.TurnedTo(180))
	if turned != (DoubleAngle{-.5, 0}) {
		t.Errorf("turned to the incision: %+v", turned)
	}
}

// A left eye's meridian of 20 is a right eye's of 160, and turning by the
// incision keeps amounts and adds angles.
func TestMirroredAndTurned(t *testing.T) {
	left := must[DoubleAngle](t)(Astigmatism{.75, new(20.0)}.DoubleAngle())
	if got := must[Astigmatism](t)(left.Mirrored().Astigmatism()); math.Abs(*got.Axis-160) > 1e-12 {
		t.Errorf("mirrored: %g", *got.Axis)
	}
	got := must[Astigmatism](t)(must[DoubleAngle](t)(left.TurnedTo(110)).Astigmatism())
	near(t, "turned axis", *got.Axis, 90, 1e-12)
	near(t, "turned amount", got.Amount, .75, 1e-12)
}

func TestVectorProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7)) // seed 7, 7
	for range 300 {
		axis := float64(random.IntN(181))
		lens := Refraction{float64(random.IntN(80)-40) / 4, float64(random.IntN(24)-12) / 4, &axis}
		a := must[PowerVector](t)(lens.Vector())
		b := must[PowerVector](t)(must[Refraction](t)(lens.PlusCylinder()).Vector())
		near(t, "M", a.M, b.M, 1e-12)
		near(t, "J0", a.J0, b.J0, 1e-12)
		near(t, "J45", a.J45, b.J45, 1e-12)

		points := make([]DoubleAngle, 5)
		for i := range points {
			points[i] = DoubleAngle{random.NormFloat64(), random.NormFloat64()}
		}
		c := must[Centroid](t)(NewCentroid(points))
		if c.Centroid.Amount > c.MeanAmount+1e-12 {
			t.Errorf("centroid %g is more than the mean amount %g", c.Centroid.Amount, c.MeanAmount)
		}
		inner, outer := must[Ellipse](t)(ConfidenceEllipse(points, .95)), must[Ellipse](t)(PredictionEllipse(points, .95))
		if inner.SemiMajor < inner.SemiMinor || inner.SemiMajor >= outer.SemiMajor {
			t.Errorf("ellipses %+v and %+v", inner, outer)
		}
	}
}

func TestVectorsRefuse(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		lens Refraction
		want string
	}{
		{Refraction{nan, -1, new(90.0)}, "sphere_d"}, {Refraction{inf, -1, new(90.0)}, "sphere_d"}, {Refraction{101, 0, nil}, "sphere_d"},
		{Refraction{0, nan, new(90.0)}, "cylinder_d"}, {Refraction{0, -101, new(90.0)}, "cylinder_d"},
		{Refraction{0, -1, new(-1.0)}, "axis_deg"}, {Refraction{0, -1, new(180.5)}, "axis_deg"}, {Refraction{0, -1, &nan}, "axis_deg"},
		{Refraction{0, -1, nil}, "axis_deg"}, {Refraction{0, 0, new(181.0)}, "axis_deg"},
	} {
		_, err := c.lens.Vector()
		refused(t, "vector", err, c.want)
		_, err = c.lens.SphericalEquivalent()
		refused(t, "spherical equivalent", err, c.want)
		_, err = c.lens.PlusCylinder()
		refused(t, "plus cylinder", err, c.want)
	}
	for want, v := range map[string]PowerVector{"m_d": {M: nan}, "j0_d": {J0: inf}, "j45_d": {J45: -101}} {
		_, err := v.Refraction()
		refused(t, "refraction", err, want)
		_, err = v.Blur()
		refused(t, "blur", err, want)
	}
	for want, list := range map[string][]Astigmatism{
		"dioptres": {{nan, new(90.0)}, {-.1, new(90.0)}, {101, new(90.0)}},
		"axis_deg": {{1, nil}, {1, new(-.1)}, {1, new(180.1)}, {0, &nan}},
	} {
		for _, a := range list {
			_, err := a.DoubleAngle()
			refused(t, "double angle", err, want)
			_, err = Induced(a, Astigmatism{})
			refused(t, "induced, before", err, want)
			_, err = Induced(Astigmatism{}, a)
			refused(t, "induced, after", err, want)
		}
	}
	_, err := DoubleAngle{}.TurnedTo(181)
	refused(t, "incision", err, "axis_deg")
	_, err = DoubleAngle{X: nan}.TurnedTo(1)
	refused(t, "point", err, "point")
	_, err = DoubleAngle{Y: 201}.Astigmatism()
	refused(t, "point", err, "point")
}

func TestGroupsOfVectorsRefuse(t *testing.T) {
	if _, err := NewCentroid(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("centroid of nothing: %v", err)
	}
	one := must[Centroid](t)(NewCentroid([]DoubleAngle{{1, 0}}))
	if one.SD != nil || one.MeanAmount != 1 {
		t.Errorf("a single eye: %+v", one)
	}
	for _, method := range []func([]DoubleAngle) error{
		func(p []DoubleAngle) error { _, err := ConfidenceEllipse(p, .95); return err },
		func(p []DoubleAngle) error { _, err := PredictionEllipse(p, .95); return err },
		func(p []DoubleAngle) error { _, err := HotellingTest(p); return err },
	} {
		if err := method(nil); !errors.Is(err, ErrNoCases) {
			t.Errorf("nothing: %v", err)
		}
		refused(t, "two points", method([]DoubleAngle{{1, 0}, {0, 1}}), "points")
		refused(t, "NaN", method([]DoubleAngle{{1, 0}, {0, math.NaN()}, {1, 1}}), "points[1]")
		refused(t, "one point thrice", method([]DoubleAngle{{.1, .3}, {.1, .3}, {.1, .3}}), "variance of points")
		refused(t, "one line", method([]DoubleAngle{{.1, .2}, {.2, .4}, {.3, .6}, {.7, 1.4}}), "variance of points")
	}
	points := []DoubleAngle{{1, 0}, {0, 1}, {1, 1}}
	for _, conf := range []float64{0, 1, math.NaN(), -1} {
		_, err := ConfidenceEllipse(points, conf)
		refused(t, "conf", err, "conf")
		_, err = PredictionEllipse(points, conf)
		refused(t, "conf", err, "conf")
	}
}

func FuzzVectors(f *testing.F) {
	f.Add(-2.0, -1.5, 30.0, 0.5, 0.95)
	f.Add(0.0, 0.0, 180.0, 0.0, 1.0)
	f.Add(math.NaN(), 1e308, -1.0, 1e-300, 0.999999999)
	f.Fuzz(func(t *testing.T, a, b, axis, c, conf float64) {
		for _, lens := range []Refraction{{a, b, &axis}, {c, 0, nil}} {
			for _, write := range []func() (Refraction, error){lens.MinusCylinder, lens.PlusCylinder} {
				if got, err := write(); orRefused(t, err) {
					allFinite(t, "lens", got.Sphere, got.Cylinder)
				}
			}
			if se, err := lens.SphericalEquivalent(); orRefused(t, err) {
				allFinite(t, "spherical equivalent", se)
			}
			v, err := lens.Vector()
			if !orRefused(t, err) {
				continue
			}
			blur, err := v.Blur()
			back, err2 := v.Refraction()
			if orRefused(t, err) && orRefused(t, err2) {
				allFinite(t, "vector", v.M, v.J0, v.J45, blur, back.Sphere, back.Cylinder)
				if back.Cylinder > 0 || (back.Axis != nil && !(*back.Axis >= 0 && *back.Axis < 180)) {
					t.Errorf("%+v comes back as %+v", lens, back)
				}
			}
		}
		points := []DoubleAngle{{a, b}, {b, c}, {c, a}, {axis, conf}}
		if d, err := Induced(Astigmatism{c, &axis}, Astigmatism{b, &axis}); orRefused(t, err) {
			points = append(points, d.Mirrored())
			turned, err := d.TurnedTo(axis)
			if back, err2 := d.Astigmatism(); orRefused(t, err) && orRefused(t, err2) {
				allFinite(t, "induced", d.X, d.Y, turned.X, turned.Y, back.Amount)
			}
		}
		if got, err := NewCentroid(points); orRefused(t, err) {
			allFinite(t, "centroid", got.Centroid.Amount, got.MeanAmount, *got.SD)
		}
		for _, method := range []func([]DoubleAngle, float64) (Ellipse, error){ConfidenceEllipse, PredictionEllipse} {
			if e, err := method(points, conf); orRefused(t, err) {
				allFinite(t, "ellipse", e.SemiMajor, e.SemiMinor)
				if !(e.SemiMinor > 0 && e.SemiMinor <= float64(e.SemiMajor*(1+1e-12))) {
					t.Errorf("%v: %+v", points, e)
				}
			}
		}
		if got, err := HotellingTest(points); orRefused(t, err) {
			allFinite(t, "test", got.TSquared, got.F, got.P)
		}
	})
}
