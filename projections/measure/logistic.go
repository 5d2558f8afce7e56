package measure

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/mat"
)

// EventsPerTerm is the usual least number of events for each term of a model.
//
// Source: Peduzzi P et al. J Clin Epidemiol 1996;49:1373-1379 (from memory).
const EventsPerTerm = 10

// ErrSeparated says that some mix of terms tells every event from every other
// case, so that no finite coefficients fit best.
var ErrSeparated = errors.New("the terms separate the events from the other cases, so no finite fit exists: drop or merge a term")

// ErrCollinear says that one term follows from the others.
var ErrCollinear = errors.New("a term is constant or follows from the others: drop it")

// TooFewEventsError says that there are too few events to fit or to judge a
// model. Events is the smaller of the numbers of events and of cases without.
type TooFewEventsError struct {
	Events int
	Needed int
}

func (e *TooFewEventsError) Error() string {
	return fmt.Sprintf("events (or cases without) number %d, at least %d are needed", e.Events, e.Needed)
}

// Logistic is a fitted logistic regression. Coefficients, their standard errors
// and their covariance begin with the intercept and follow the columns.
type Logistic struct {
	N              int         `json:"n"`
	Events         int         `json:"events"`
	Coefficients   []float64   `json:"coefficients"`
	StandardErrors []float64   `json:"standard_errors"`
	Covariance     [][]float64 `json:"covariance"`
	Deviance       float64     `json:"deviance"`
	NullDeviance   float64     `json:"null_deviance"`
	LogLikelihood  float64     `json:"log_likelihood"`
	AIC            float64     `json:"aic"`
}

// WaldTest is a coefficient in standard errors from 0, and the two-sided chance
// of as many or more when it is 0.
type WaldTest struct {
	Z float64 `json:"z"`
	P float64 `json:"p"`
}

// Wald tests each coefficient, the intercept first.
//
// Source: Wald A. Trans Am Math Soc 1943;54:426-482 (from memory).
func (l Logistic) Wald() ([]WaldTest, error) {
	if len(l.Coefficients) == 0 || len(l.Coefficients) != len(l.StandardErrors) {
		return nil, outsideCount("standard errors", len(l.StandardErrors), "one for each coefficient of a fit by FitLogistic")
	}
	tests := make([]WaldTest, len(l.Coefficients))
	for k, b := range l.Coefficients {
		z := b / l.StandardErrors[k]
		if !finite(z) {
			return nil, outside("standard errors["+strconv.Itoa(k)+"]", l.StandardErrors[k], "more than 0, of a fit by FitLogistic")
		}
		tests[k] = WaldTest{Z: z, P: math.Erfc(math.Abs(z) / math.Sqrt2)}
	}
	return tests, nil
}

// FitLogistic fits the chance of the event to the terms of each case by maximum
// likelihood (Newton's method). It fails with a *TooFewEventsError unless there
// are eventsPerTerm events, and as many cases without, for each term; use
// EventsPerTerm, and never less than 5. It fails with ErrCollinear or
// ErrSeparated when no single finite fit exists.
//
// Source: McCullagh P, Nelder JA. Generalized Linear Models, 1989 (from memory).
func FitLogistic(terms [][]float64, events []bool, eventsPerTerm int) (Logistic, error) {
	if eventsPerTerm < 5 || eventsPerTerm > 1000 {
		return Logistic{}, outsideCount("events per term", eventsPerTerm, "5 to 1000")
	}
	if len(terms) != len(events) {
		return Logistic{}, outsideCount("events", len(events), "one for each of "+strconv.Itoa(len(terms))+" cases")
	}
	if len(events) == 0 {
		return Logistic{}, ErrNoCases
	}
	width := len(terms[0])
	if width < 1 || width > 100 {
		return Logistic{}, outsideCount("terms[0]", width, "1 to 100 terms")
	}
	for i, row := range terms {
		if len(row) != width {
			return Logistic{}, outsideCount("terms["+strconv.Itoa(i)+"]", len(row), strconv.Itoa(width)+" terms, as in the first case")
		}
		for k, x := range row {
			if !(math.Abs(x) <= maxValue) {
				return Logistic{}, outside("terms["+strconv.Itoa(i)+"]["+strconv.Itoa(k)+"]", x, "-1000000000 to 1000000000")
			}
		}
	}
	if err := enoughEvents(events, eventsPerTerm*width); err != nil {
		return Logistic{}, err
	}
	return fit(terms, nil, events)
}

func countEvents(events []bool) int {
	count := 0
	for _, event := range events {
		if event {
			count++
		}
	}
	return count
}

func enoughEvents(events []bool, needed int) error {
	count := countEvents(events)
	if rarer := min(count, len(events)-count); rarer < needed {
		return &TooFewEventsError{Events: rarer, Needed: needed}
	}
	return nil
}

// Risk gives the fitted chance, a probability, of a case with the given terms.
func (l Logistic) Risk(terms ...float64) (float64, error) {
	if len(terms)+1 != len(l.Coefficients) {
		return 0, outsideCount("terms", len(terms), strconv.Itoa(len(l.Coefficients)-1)+" terms")
	}
	score := l.Coefficients[0]
	for k, x := range terms {
		if !(math.Abs(x) <= maxValue) {
			return 0, outside("terms["+strconv.Itoa(k)+"]", x, "-1000000000 to 1000000000")
		}
		score += float64(l.Coefficients[k+1] * x)
	}
	if !finite(score) {
		return 0, outsideWord("coefficients", "not finite", "a fit by FitLogistic")
	}
	return chance(score), nil
}

// chance is the inverse of the logit.
func chance(score float64) float64 {
	if score < 0 {
		e := math.Exp(score)
		return e / (1 + e)
	}
	return 1 / (1 + math.Exp(-score))
}

// logLikelihood of one case, without losing digits at either end.
func logLikelihood(score float64, event bool) float64 {
	if event {
		score = -score
	}
	return -(math.Max(score, 0) + math.Log1p(math.Exp(-math.Abs(score))))
}

// fit is Newton's method with step halving on terms scaled to at most 1. An
// offset, when given, is added to each score with a coefficient of 1.
func fit(terms [][]float64, offset []float64, events []bool) (Logistic, error) {
	n, size := len(events), 1
	if len(terms) > 0 {
		size += len(terms[0])
	}
	scale := make([]float64, size)
	scale[0] = 1
	for k := 1; k < size; k++ {
		for i := range terms {
			scale[k] = math.Max(scale[k], math.Abs(terms[i][k-1]))
		}
		if scale[k] < 1/maxValue {
			return Logistic{}, ErrCollinear
		}
	}
	rows := make([]float64, n*size)
	for i := range n {
		rows[i*size] = 1
		for k := 1; k < size; k++ {
			rows[i*size+k] = terms[i][k-1] / scale[k]
		}
	}
	scores := func(b []float64) ([]float64, float64) {
		list, sum := make([]float64, n), 0.0
		for i := range n {
			if offset != nil {
				list[i] = offset[i]
			}
			for k := range size {
				list[i] += float64(b[k] * rows[i*size+k])
			}
			sum += logLikelihood(list[i], events[i])
		}
		return list, sum
	}

	b := make([]float64, size)
	if offset == nil {
		rate := float64(countEvents(events)) / float64(n)
		b[0] = math.Log(rate / (1 - rate))
	}
	list, likelihood := scores(b)
	for range 100 {
		information, slope := newtonParts(rows, list, events, size)
		var factor mat.Cholesky
		if !factor.Factorize(information) || factor.Cond() > 1e13 {
			return Logistic{}, noSingleFit(list)
		}
		var step mat.VecDense
		if err := factor.SolveVecTo(&step, mat.NewVecDense(size, slope)); err != nil {
			return Logistic{}, noSingleFit(list)
		}
		next := make([]float64, size)
		moved, better := 0.0, false
		for share := 1.0; share > 1e-6 && !better; share /= 2 {
			moved = 0
			for k := range next {
				next[k] = b[k] + float64(share*step.AtVec(k))
				moved = math.Max(moved, math.Abs(float64(share*step.AtVec(k)))/(1+math.Abs(next[k])))
			}
			nextList, nextLikelihood := scores(next)
			// Near the top the likelihood only rounds up and down.
			if nextLikelihood >= likelihood-float64(1e-12*math.Abs(likelihood)) {
				list, likelihood, better = nextList, nextLikelihood, true
			}
		}
		if !better {
			return Logistic{}, noSingleFit(list)
		}
		b = next
		if moved < 1e-12 {
			information, _ = newtonParts(rows, list, events, size)
			return finish(information, b, scale, list, likelihood, events)
		}
	}
	return Logistic{}, noSingleFit(list)
}

// noSingleFit tells separation, where scores run away, from collinear terms.
func noSingleFit(scores []float64) error {
	for _, s := range scores {
		if math.Abs(s) > 15 {
			return ErrSeparated
		}
	}
	return ErrCollinear
}

// newtonParts gives the information matrix and the slope of the likelihood.
func newtonParts(rows, scores []float64, events []bool, size int) (*mat.SymDense, []float64) {
	information, slope := mat.NewSymDense(size, nil), make([]float64, size)
	sums := make([]float64, size*size)
	for i, score := range scores {
		p := chance(score)
		weight, off := float64(p*(1-p)), -p
		if events[i] {
			off = chance(-score)
		}
		row := rows[i*size : (i+1)*size]
		for j := range size {
			slope[j] += float64(off * row[j])
			w := float64(weight * row[j])
			for k := j; k < size; k++ {
				sums[j*size+k] += float64(w * row[k])
			}
		}
	}
	for j := range size {
		for k := j; k < size; k++ {
			information.SetSym(j, k, sums[j*size+k])
		}
	}
	return information, slope
}

func finish(information *mat.SymDense, b, scale, scores []float64, likelihood float64, events []bool) (Logistic, error) {
	var factor mat.Cholesky
	var inverse mat.SymDense
	if !factor.Factorize(information) || factor.InverseTo(&inverse) != nil {
		return Logistic{}, noSingleFit(scores)
	}
	n, count := len(events), countEvents(events)
	l := Logistic{N: n, Events: count, Deviance: math.Max(0, -2*likelihood)}
	l.LogLikelihood = -l.Deviance / 2
	l.AIC = l.Deviance + float64(2*len(b))
	rate := float64(count) / float64(n)
	l.NullDeviance = -2 * (float64(float64(count)*math.Log(rate)) + float64(float64(n-count)*math.Log1p(-rate)))
	for j := range b {
		l.Coefficients = append(l.Coefficients, b[j]/scale[j])
		l.StandardErrors = append(l.StandardErrors, math.Sqrt(inverse.At(j, j))/scale[j])
		row := make([]float64, len(b))
		for k := range b {
			row[k] = inverse.At(j, k) / scale[j] / scale[k]
		}
		l.Covariance = append(l.Covariance, row)
	}
	// A score of 25 is a chance beyond 1 in 10^10: the fit is running away.
	for _, s := range scores {
		if math.Abs(s) > 25 {
			return Logistic{}, ErrSeparated
		}
	}
	return l, nil
}
