package measure

import (
	"math"
	"testing"
)

// Sources that several values share.
const (
	newcombe1998  = "Newcombe RG. Stat Med 1998;17:857-872, table I"
	newcombeDiff  = "Newcombe RG. Stat Med 1998;17:873-890, method 10, example 56/70 and 48/80"
	narendran2009 = "Narendran N et al. Eye 2009;23:31-37; probability computed in R"
	sim2024       = "Sim PY et al. Eye 2024; interval computed in R"
	grinton2021   = "Grinton M et al. Eye 2021;35:1213-1220"
	steiner2000   = "Steiner SH et al. Biostatistics 2000;1:441-452"
	deLeval1994   = "de Leval MR et al. J Thorac Cardiovasc Surg 1994;107:914-924; computed in R"
	reynolds1999  = "form of Reynolds MR, Stoumbos ZG. J Qual Technol 1999;31:87-108; Markov chain in R"
	bolsin2000    = "form of Bolsin S, Colson M. Int J Qual Health Care 2000;12:433-438; computed in R"
	biau2010      = "Biau DJ, Porcher R. Stat Med 2010;29:1900-1909; computed in R"
	spiegelhalter = "Spiegelhalter DJ. Stat Med 2005;24:1185-1202; computed in R"
	thibos1997    = "Thibos LN et al. Optom Vis Sci 1997;74:367-375"
	holladay1992  = "Holladay JT et al. J Cataract Refract Surg 1992;18:429-443; computed in R"
	holladay2004  = "Holladay JT. J Cataract Refract Surg 2004;30:287-290"
	brogan2019    = "Brogan K et al. Br J Ophthalmol 2019;103:539"
	lundstrom2018 = "Lundstrom M et al. J Cataract Refract Surg 2018;44:447-452"
	staropoli2018 = "Staropoli PC et al. Simul Healthc 2018;13:11-15; counts inferred"
	steiner5595   = "5,595 operations, subset of Steiner 2000; computed in R"
)

// checkedValues lists the single values with ours beside them.
func checkedValues(t *testing.T) []checkedValue {
	t.Helper()
	var out []checkedValue
	add := func(what string, ours float64, printed, source string) {
		out = append(out, checkedValue{what, ours, printed, source})
	}
	interval := func(what string, got Interval, lower, upper, source string) {
		add(what+", lower", got.Lower, lower, source)
		add(what+", upper", got.Upper, upper, source)
	}

	interval("Wilson, 15 of 148", must[Interval](t)(Wilson(15, 148, 0.95)), "0.0624", "0.1605", newcombe1998)
	interval("Wilson, 81 of 263", must[Interval](t)(Wilson(81, 263, 0.95)), "0.2553", "0.3662", newcombe1998)
	interval("Wilson, 0 of 20", must[Interval](t)(Wilson(0, 20, 0.95)), "0", "0.1611", newcombe1998)
	interval("exact, 15 of 148", must[Interval](t)(ClopperPearson(15, 148, 0.95)), "0.0578", "0.1617", newcombe1998)
	interval("exact, 1 of 29", must[Interval](t)(ClopperPearson(1, 29, 0.95)), "0.0009", "0.1776", newcombe1998)
	interval("mid-P, 15 of 148", must[Interval](t)(MidP(15, 148, 0.95)), "0.0601", "0.1581", newcombe1998)
	interval("Wilson, 82 of 4,303 ruptures", must[Interval](t)(Wilson(82, 4303, 0.95)), "1.54 %", "2.36 %", grinton2021)
	interval("Wilson, 9,730 of 961,208 ruptures", must[Interval](t)(Wilson(9730, 961208, 0.95)), "0.992 %", "1.032 %", sim2024)
	interval("difference of two rates", must[Interval](t)(NewcombeDifference(56, 70, 48, 80, 0.95)), "0.0524", "0.3339", newcombeDiff)
	add("Fisher's exact test, 12/501 and 23/454", must[float64](t)(FisherExact(12, 501, 23, 454)), "0.037", staropoli2018)
	add("Fisher's exact test, 11/501 and 22/454", must[float64](t)(FisherExact(11, 501, 22, 454)), "0.032", staropoli2018)

	model := CapsuleRupture2009()
	for _, c := range []struct {
		what, odds, risk string
		f                Factors
	}{
		{"reference patient", "1.0000", "0.7360 %", Factors{AgeYears: new(55), Sex: "female", Pupil: "large"}},
		{"man of 75", "1.8176", "1.3298 %", Factors{AgeYears: new(75), Sex: "male"}},
		{"woman of 75, pseudoexfoliation", "4.1464", "2.9827 %", Factors{AgeYears: new(75), Sex: "female", Pseudoexfoliation: Yes}},
		{"man of 75, brunescent, small pupil", "7.8802", "5.5203 %", Factors{AgeYears: new(75), Sex: "male", BrunescentCataract: Yes, Pupil: "small"}},
	} {
		r := must[Risk](t)(model.Risk(c.f))
		add("composite odds ratio, "+c.what, r.CompositeOddsRatio, c.odds, narendran2009)
		add("risk, "+c.what, r.Probability, c.risk, narendran2009)
	}

	parsonnet := func(score float64) float64 { return 1 / (1 + math.Exp(-(-3.68 + 0.077*score))) }
	llr := must[Scores](t)(LLR(parsonnet(50), 2))
	add("score without event, Parsonnet 50, odds ratio 2", llr.NoEvent, "-0.43", steiner2000)
	add("score with event, Parsonnet 50, odds ratio 2", llr.Event, "0.26", steiner2000)
	half := must[Scores](t)(LLR(parsonnet(0), 0.5))
	add("score without event, Parsonnet 0, odds ratio 1/2", half.NoEvent, "0.012", steiner2000)
	add("score with event, Parsonnet 0, odds ratio 1/2", half.Event, "-0.681", steiner2000)
	for _, s := range []struct {
		surgeon  string
		observed int
		expected float64
		ratio    string
	}{{"1", 131, 106.758, "1.2271"}, {"3", 40, 56.988, "0.7019"}, {"7", 44, 42.025, "1.0470"}} {
		add("observed / expected, surgeon "+s.surgeon, must[Ratio](t)(ObservedExpected(s.observed, s.expected)).Ratio, s.ratio, steiner5595)
	}

	switched := must[Scores](t)(BernoulliScores(.02, .05))
	var scores []float64
	for _, r := range readPublished(t, "arterial_switch") {
		scores = append(scores, switched.Of(r.whole("death") == 1))
	}
	top := 0.0
	points := must[[]Point](t)(Path(scores, 2.5))
	for _, p := range points {
		top = max(top, p.Value)
	}
	add("chart of 104 arterial switches, highest", top, "6.49088", deLeval1994)
	add("chart of 104 arterial switches, last", points[len(points)-1].Value, "6.319", deLeval1994)

	for _, c := range []struct{ p0, m, h, in string }{
		{"0.02", "35", "2", "432.907"}, {"0.02", "35", "3", "1140.605"}, {"0.01", "70", "2", "853.564"}, {"0.05", "14", "3", "491.779"},
	} {
		for _, r := range readPublished(t, "bernoulli_lattice_designs") {
			if r.text("p0") != c.p0 || r.text("m") != c.m || r.text("h_x_gamma") != c.h {
				continue
			}
			m := r.number("m")
			chart := Chart{Scores: Scores{Event: m - 1, NoEvent: -1}, Threshold: r.number("h_x_gamma") * m}
			what := "average run length, acceptable " + c.p0 + ", 1/m with m " + c.m + ", h " + c.h
			add(what+", in control", must[RunLength](t)(chart.RunLength(r.number("p0"))).AverageRunLength, c.in, reynolds1999)
		}
	}

	b := must[BoundaryChart](t)(NewBoundaryChart(.05, .10, .05, .2))
	add("boundary chart 5 % / 10 %, s", b.S, "0.072358", bolsin2000)
	add("boundary chart 5 % / 10 %, h1 (alpha 0.05, beta 0.2)", b.H1, "3.710566", bolsin2000)
	add("boundary chart 5 % / 10 %, h0 (alpha 0.05, beta 0.2)", b.H0, "2.085271", bolsin2000)
	c := must[Scores](t)(CompetenceScores(.05, .10))
	add("competence score without event, 5 % / 10 %", c.NoEvent, "0.054067", biau2010)
	add("competence score with event, 5 % / 10 %", c.Event, "-0.693147", biau2010)

	interval("funnel, target 1.92 %, 500 cases, 95 %", must[Interval](t)(ExactFunnelLimits(.0192, 500, .95)), "0.701 %", "3.119 %", spiegelhalter)
	interval("funnel, target 1.92 %, 500 cases, 99.8 %", must[Interval](t)(ExactFunnelLimits(.0192, 500, .998)), "0.223 %", "3.975 %", spiegelhalter)
	interval("funnel, target 1.92 %, 100 cases, 99.8 %", must[Interval](t)(ExactFunnelLimits(.0192, 100, .998)), "0 %", "6.889 %", spiegelhalter)

	v := must[PowerVector](t)(Refraction{-2, -1.5, new(30.0)}.Vector())
	add("power vector of -2.00/-1.50x30, M", v.M, "-2.7500", thibos1997+"; computed in R")
	add("power vector of -2.00/-1.50x30, J0", v.J0, "0.3750", thibos1997+"; computed in R")
	add("power vector of -2.00/-1.50x30, J45", v.J45, "0.649519", thibos1997+"; computed in R")
	two := must[PowerVector](t)(Refraction{-2, -2, new(180.0)}.Vector())
	add("power vector of -2.00/-2.00x180, M", two.M, "-3.00", thibos1997)
	add("power vector of -2.00/-2.00x180, J0", two.J0, "1.00", thibos1997)
	induced := must[Astigmatism](t)(must[DoubleAngle](t)(Induced(Astigmatism{1.5, new(10.0)}, Astigmatism{1, new(170.0)})).Astigmatism())
	add("induced astigmatism, 1.50 at 10 to 1.00 at 170", induced.Amount, "0.975637", holladay1992)
	add("its meridian", *induced.Axis, "120.6057", holladay1992)

	mean := must[Acuity](t)(MeanAcuity([]Acuity{must[Acuity](t)(FromFraction(20, 20)), must[Acuity](t)(FromFraction(20, 200))}))
	add("mean of 20/20 and 20/200, logMAR", float64(mean.LogMARHundredths)/100, "0.5", holladay2004)
	add("6/12, hundredths of logMAR", float64(must[Acuity](t)(FromFraction(6, 12)).LogMARHundredths), "30", holladay2004)
	add("6/60, hundredths of logMAR", float64(must[Acuity](t)(FromFraction(6, 60)).LogMARHundredths), "100", holladay2004)

	rate := func(x, n int) float64 { return must[Rate](t)(NewRate(x, n)).Rate }
	add("within 0.50 D, 5,577 of 8,943", rate(5577, 8943), "62.36 %", brogan2019)
	add("within 1.00 D, 7,938 of 8,943", rate(7938, 8943), "88.76 %", brogan2019)
	add("within 0.50 D, 205,675 of 282,811", rate(205675, 282811), "72.7 %", lundstrom2018)
	add("within 1.00 D, 263,015 of 282,811", rate(263015, 282811), "93.0 %", lundstrom2018)
	return out
}
