package measure

import (
	"math"
	"testing"
)

func TestRiskAdjustedChartEqualsReference(t *testing.T) {
	rows := readRows(t, "risk_adjusted_cusum")
	var up, down, risks []float64
	var events []bool
	for _, r := range rows {
		p, event := r.number("p"), r.whole("y") == 1
		risks, events = append(risks, p), append(events, event)
		up = append(up, must[Scores](t)(LLR(p, 2)).Of(event))
		down = append(down, must[Scores](t)(LLR(p, 0.5)).Of(event))
	}
	restart := func(scores []float64, threshold float64) []Point {
		// Restart after each alarm, one at a time, as the reference does.
		var restarts []int
		for {
			points := must[[]Point](t)(Path(scores, threshold, restarts...))
			added := false
			for i, p := range points {
				if p.Alarm && (len(restarts) == 0 || i+1 > restarts[len(restarts)-1]) {
					restarts, added = append(restarts, i+1), true
					break
				}
			}
			if !added {
				return points
			}
		}
	}
	sUp, sDown := must[[]Point](t)(Path(up, 4.5)), must[[]Point](t)(Path(down, 4))
	upRestarted, downRestarted := restart(up, 2), restart(down, 1)
	oe := must[[]float64](t)(ObservedMinusExpected(risks, events))
	for i, r := range rows {
		r.absolute("w_up", up[i], 1e-12)
		r.absolute("s_up", sUp[i].Value, 1e-12)
		r.absolute("w_down", down[i], 1e-12)
		r.absolute("s_down", sDown[i].Value, 1e-12)
		r.absolute("vlad", -oe[i], 1e-12)
		r.absolute("s_up_restart_h2", upRestarted[i].Value, 1e-12)
		r.absolute("s_down_restart_h1", downRestarted[i].Value, 1e-12)
		if got := upRestarted[i].Alarm; got != (r.text("alarm_up_h2") == "true") {
			t.Errorf("%s: alarm up %v", r.where, got)
		}
		if got := downRestarted[i].Alarm; got != (r.text("alarm_down_h1") == "true") {
			t.Errorf("%s: alarm down %v", r.where, got)
		}
	}
}

func TestCompetenceTraceEqualsReference(t *testing.T) {
	s := must[Scores](t)(CompetenceScores(.05, .15))
	var scores []float64
	rows := readRows(t, "lc_cusum_trace")
	for _, r := range rows {
		scores = append(scores, s.Of(r.whole("failure") == 1))
	}
	for i, p := range must[[]Point](t)(Path(scores, 1.25)) {
		rows[i].absolute("score", p.Score, 1e-12)
		rows[i].absolute("s", p.Value, 1e-12)
		if p.Alarmed != (rows[i].text("competent_h1.25") == "true") {
			t.Errorf("%s: alarmed %v", rows[i].where, p.Alarmed)
		}
	}
}

// Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441-452:
// logit p = -3.68 + 0.077 x Parsonnet score. Values printed there to the places
// given, or computed in R.
func TestSteinersWeights(t *testing.T) {
	risk := func(intercept, score float64) float64 { return 1 / (1 + math.Exp(-(intercept + 0.077*score))) }
	for _, c := range []struct {
		what                 string
		p, pWant, oddsRatio  float64
		noEvent, event, tole float64
	}{
		{"Parsonnet 0", risk(-3.68, 0), .0246, 2, -.0243, .6688, 1e-4},
		{"Parsonnet 0, halved", risk(-3.68, 0), .0246, .5, .012, -.681, 5e-4},
		{"Parsonnet 50", risk(-3.68, 50), .5424, 2, -.4333, .2598, 1e-4},
		{"Parsonnet 50, halved", risk(-3.68, 50), .5424, .5, .316, -.377, 5e-4},
		{"Parsonnet 71", risk(-3.68, 71), .8566, 2, -.6187, .0744, 1e-4},
		{"Parsonnet 71, halved", risk(-3.68, 71), .8566, .5, .5591, -.1340, 1e-4},
		{"Parsonnet 19, other model", risk(-3.67, 19), .0991, 2, -.0945, .5986, 1e-4},
		{"Parsonnet 0, other model", risk(-3.67, 0), .0248, 2, -.0245, .6686, 1e-4},
	} {
		near(t, c.what+" risk", c.p, c.pWant, 5.1e-5)
		got := must[Scores](t)(LLR(c.p, c.oddsRatio))
		near(t, c.what+" no event", got.NoEvent, c.noEvent, c.tole)
		near(t, c.what+" event", got.Event, c.event, c.tole)
	}
	near(t, "Parsonnet 19, halved", must[Scores](t)(LLR(risk(-3.67, 19), .5)).NoEvent, .05083, 1e-5)
}

// de Leval MR et al. J Thorac Cardiovasc Surg 1994;107:914-924: 104 operations
// and 9 deaths. Chart values computed in R.
func TestArterialSwitchOperations(t *testing.T) {
	s := must[Scores](t)(BernoulliScores(.02, .05))
	var scores []float64
	deaths := 0
	for _, r := range readPublished(t, "arterial_switch") {
		if r.whole("death") == 1 {
			deaths++
		}
		scores = append(scores, s.Of(r.whole("death") == 1))
	}
	if len(scores) != 104 || deaths != 9 {
		t.Fatalf("%d operations and %d deaths, want 104 and 9", len(scores), deaths)
	}
	points := must[[]Point](t)(Path(scores, 2.5))
	top, first := 0, 0
	for i, p := range points {
		if p.Value > points[top].Value {
			top = i
		}
		if p.Alarm {
			first = i
		}
	}
	near(t, "highest value", points[top].Value, 6.49088, 0.5e-5)
	near(t, "final value", points[103].Value, 6.319, 0.5e-3)
	if top+1 != 68 || first+1 != 59 {
		t.Errorf("highest at operation %d and alarm at %d, want 68 and 59", top+1, first+1)
	}
}

// Biau DJ, Porcher R. Stat Med 2010;29:1900-1909 and the weights computed in R
// from it; Leandro G et al. Postgrad Med J 2005;81:647-652 for 24 % and 30 %.
func TestWeightsOfPublishedDesigns(t *testing.T) {
	for _, c := range []struct {
		what           string
		got            Scores
		event, noEvent float64
	}{
		{"5 % and 5 % more", must[Scores](t)(CompetenceScores(.05, .10)), -.693147, .054067},
		{"10 % and 10 % more", must[Scores](t)(CompetenceScores(.10, .20)), -.693147, .117783},
		{"liver transplants", must[Scores](t)(BernoulliScores(.24, .30)), .223144, -.082238},
	} {
		near(t, c.what, c.got.Event, c.event, 0.5e-6)
		near(t, c.what, c.got.NoEvent, c.noEvent, 0.5e-6)
	}
}

func TestScoreProperties(t *testing.T) {
	for _, p := range []float64{.001, .02, .3, .9} {
		for _, oddsRatio := range []float64{.25, .5, 1.5, 2, 4} {
			adjusted := must[Scores](t)(LLR(p, oddsRatio))
			plain := must[Scores](t)(BernoulliScores(p, risen(p, oddsRatio)))
			near(t, "event", adjusted.Event, plain.Event, 1e-14)
			near(t, "no event", adjusted.NoEvent, plain.NoEvent, 1e-14)
			if down := p*adjusted.Event + (1-p)*adjusted.NoEvent; down >= 0 {
				t.Errorf("p %g, odds ratio %g: mean score %g under the null, want below 0", p, oddsRatio, down)
			}
		}
	}
	if got, want := must[Scores](t)(CompetenceScores(.05, .1)).Reversed(), must[Scores](t)(BernoulliScores(.05, .1)); math.Abs(got.Event-want.Event) > 1e-15 || math.Abs(got.NoEvent-want.NoEvent) > 1e-15 {
		t.Errorf("reversed competence scores %+v, want detection scores %+v", got, want)
	}
}

func TestPathAlarmsAndRestarts(t *testing.T) {
	scores := []float64{1, 1, -3, 2, -1, 2, 0.5, 1}
	points := must[[]Point](t)(Path(scores, 2, 6))
	values := []float64{1, 2, 0, 2, 1, 3, 0.5, 1.5}
	alarms := []bool{false, true, false, false, false, false, false, false}
	crossed := []bool{false, true, false, true, false, true, false, false}
	for i, p := range points {
		if p.Value != values[i] || p.Alarm != alarms[i] || p.Crossed != crossed[i] {
			t.Errorf("case %d: got %+v, want value %g, alarm %v, crossed %v", i+1, p, values[i], alarms[i], crossed[i])
		}
	}
	if points[5].Alarmed != true || points[6].Alarmed != false {
		t.Error("an alarm must last until the restart and no longer")
	}
	for from := range len(scores) + 1 {
		again := must[[]Point](t)(PathFrom(points[:from], scores, 2, 6))
		for i := range points {
			if again[i] != points[i] {
				t.Errorf("from case %d: point %d is %+v, want %+v", from+1, i+1, again[i], points[i])
			}
		}
	}
}

func TestChartsRefuse(t *testing.T) {
	for _, p := range []float64{0, 1, -1, 2, math.NaN(), math.Inf(-1)} {
		_, err := LLR(p, 2)
		refused(t, "risk", err, "risk")
		_, err = BernoulliScores(p, .5)
		refused(t, "acceptable", err, "acceptable")
		_, err = BernoulliScores(.5, p)
		refused(t, "unacceptable", err, "unacceptable")
		_, err = CompetenceScores(p, .5)
		refused(t, "acceptable", err, "acceptable")
		_, err = CompetenceScores(.5, p)
		refused(t, "unacceptable", err, "unacceptable")
	}
	for _, oddsRatio := range []float64{0, 1, -1, math.NaN(), math.Inf(1)} {
		_, err := LLR(.1, oddsRatio)
		refused(t, "odds ratio", err, "odds_ratio")
	}
	_, err := BernoulliScores(.1, .1)
	refused(t, "same rates", err, "unacceptable")
	_, err = CompetenceScores(.1, .05)
	refused(t, "swapped rates", err, "unacceptable")
	for _, threshold := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err = Path([]float64{1}, threshold)
		refused(t, "threshold", err, "threshold")
	}
	_, err = Path([]float64{1, math.NaN()}, 1)
	refused(t, "score", err, "score of case 2")
	_, err = Path([]float64{1}, 1, 2)
	refused(t, "restart", err, "restart")
	_, err = PathFrom(make([]Point, 2), []float64{1}, 1)
	refused(t, "known", err, "known points")
	_, err = ObservedMinusExpected([]float64{.1}, nil)
	refused(t, "events", err, "number of events")
	_, err = ObservedMinusExpected([]float64{.1, -.1}, []bool{true, false})
	refused(t, "risk", err, "risk of case 2")
}
