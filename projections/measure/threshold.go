package measure

import "math"

// thresholdsPerUnit: a threshold that is searched for is a whole number of
// ten-thousandths, so that it can be written down and used again.
const thresholdsPerUnit = 10_000

// maxSearched is the largest threshold that a search gives.
const maxSearched = 20 * thresholdsPerUnit

// smallestThreshold finds the smallest threshold, in steps of 1/10000, whose
// level is at or below want. The level is the logarithm of a chance of false
// alarm or minus that of a run length: it falls with the threshold, in steps,
// and close to a straight line. guess is where to begin, and reach how far off
// that may well be. A level at most slack below want will do as well: where the
// level itself is not exact, the very smallest threshold means no more.
func smallestThreshold(want, guess, reach, slack float64, level func(threshold float64) (float64, error)) (float64, error) {
	at := func(step int) (float64, error) {
		v, err := level(float64(step) / thresholdsPerUnit)
		return v - want, err
	}
	clamp := func(step int) int { return min(max(step, 1), maxSearched) }
	step := clamp(int(math.Round(guess * thresholdsPerUnit)))
	v, err := at(step)
	if err != nil {
		return 0, err
	}
	// Find one threshold that is too low and one that will do, about a step of
	// the expected slope apart: the level falls by about 1 for each unit.
	low, high := 0, maxSearched+1
	vLow, vHigh := math.NaN(), math.NaN()
	for low == 0 || high > maxSearched {
		if v <= 0 && v > -slack {
			return float64(step) / thresholdsPerUnit, nil
		}
		if v > 0 {
			low, vLow = step, v
		} else {
			high, vHigh = step, v
		}
		if low == maxSearched {
			return 0, outside("threshold", 20, "more than 20 would be needed: ask for more false alarms or a larger odds ratio")
		}
		if high == 1 {
			return 1.0 / thresholdsPerUnit, nil
		}
		if low > 0 && high <= maxSearched {
			break
		}
		move := v + math.Copysign(reach, v)
		if math.IsInf(v, -1) || math.Abs(move) > 2 {
			move = math.Copysign(2, v)
		}
		reach *= 3
		step = clamp(step + int(math.Ceil(move*thresholdsPerUnit)))
		if v, err = at(step); err != nil {
			return 0, err
		}
	}
	for turn := 0; high-low > 1 && !(v <= 0 && v > -slack); turn++ {
		step = low + (high-low)/2
		if share := vLow / (vLow - vHigh); turn%3 != 2 && finite(share) {
			// Aim a little past the straight line's answer, alternately on either
			// side, so that both ends close in.
			aim := float64(low) + float64(share*float64(high-low))
			nudge := math.Max(1, 0.02*float64(high-low))
			if turn%2 == 1 {
				nudge = -nudge
			}
			step = min(max(int(math.Round(aim+nudge)), low+1), high-1)
		}
		if v, err = at(step); err != nil {
			return 0, err
		}
		if v > 0 {
			low, vLow = step, v
		} else {
			high, vHigh = step, v
		}
	}
	return float64(high) / thresholdsPerUnit, nil
}

// guessThreshold inverts the diffusion's average run length from 0,
// (exp(h) - h - 1) / drift, with h less the mean overshoot of an alarm. It is
// only where a search begins.
func guessThreshold(runLength, drift, overshoot float64) float64 {
	target := math.Max(1e-3, float64(runLength*drift))
	h := math.Max(0.1, math.Log1p(target))
	for range 30 {
		f := math.Exp(h) - h - 1 - target
		h -= f / math.Max(1e-6, math.Expm1(h))
		h = math.Max(1e-3, h)
	}
	return math.Max(0.01, h-overshoot)
}
