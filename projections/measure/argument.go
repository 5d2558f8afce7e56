package measure

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// ErrNoCases says that there is nothing to estimate from: with no cases there
// is no interval, not an interval from 0 to 1.
var ErrNoCases = errors.New("no cases, so no rate and no interval")

// ArgumentError is an argument outside its allowed range. Name is the name of
// the argument as the API writes it.
type ArgumentError struct {
	Name    string
	Got     string
	Allowed string
}

func (e *ArgumentError) Error() string {
	return fmt.Sprintf("%s is %s, allowed is %s", e.Name, e.Got, e.Allowed)
}

// maxCases bounds every count of cases: above it the tail functions lose digits.
const maxCases = 1_000_000_000

func number(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func outside(name string, got float64, allowed string) error {
	return &ArgumentError{Name: name, Got: number(got), Allowed: allowed}
}

func outsideCount(name string, got int, allowed string) error {
	return &ArgumentError{Name: name, Got: strconv.Itoa(got), Allowed: allowed}
}

func outsideWord(name, got, allowed string) error {
	return &ArgumentError{Name: name, Got: strconv.Quote(got), Allowed: allowed}
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// checkProbability wants 0 < p < 1. Anything closer to either end than 1e-12
// is refused too: no logarithm of it keeps useful digits.
func checkProbability(name string, p float64) error {
	if !(p >= 1e-12 && p <= 1-1e-12) {
		return outside(name, p, "more than 0 and less than 1")
	}
	return nil
}

func checkCounts(events, n int) error {
	if n < 0 || n > maxCases {
		return outsideCount("n", n, "0 to 1000000000")
	}
	if n == 0 {
		if events != 0 {
			return outsideCount("events", events, "0 when n is 0")
		}
		return ErrNoCases
	}
	if events < 0 || events > n {
		return outsideCount("events", events, "0 to n = "+strconv.Itoa(n))
	}
	return nil
}
