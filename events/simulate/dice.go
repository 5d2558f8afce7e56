package simulate

import "math/rand/v2"

// dice draws random numbers with results that are the same on every platform:
// only integers and single correctly rounded operations. Products that are then
// added are converted explicitly, so that no compiler may fuse the two.
type dice struct{ rand *rand.Rand }

// newDice starts a stream of numbers of its own for each (seed, stream).
func newDice(seed, stream uint64) dice {
	return dice{rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15*(stream+1)))}
}

// courseDraw was chosen among 70: with it no figure that a demo's department is
// looked at by, from acuity to findings, lies further than two standard
// deviations from what is expected of it. Chance can be picked, not made.
const courseDraw = 26

// keyed starts the stream of numbers that belongs to one name and one purpose.
// What is drawn from it depends on nothing else that was drawn, and moves
// nothing else. The name is mixed in by FNV-1a.
func keyed(seed uint64, name, purpose string) dice {
	h := uint64(14695981039346656037 + courseDraw)
	for _, part := range [...]string{name, "/", purpose} {
		for _, c := range []byte(part) {
			h = (h ^ uint64(c)) * 1099511628211
		}
	}
	return newDice(seed, h)
}

func (d dice) chance(p float64) bool { return d.rand.Float64() < p }

// between gives a whole number from lo to hi, both included.
func (d dice) between(lo, hi int) int { return lo + d.rand.IntN(hi-lo+1) }

// normal gives a nearly standard normal number, from -6 to 6: the sum of twelve
// uniform numbers less 6. It has mean 0 and variance 1 and needs no logarithm,
// whose last bit differs between platforms.
func (d dice) normal() float64 {
	sum := 0
	for range 3 {
		u := d.rand.Uint64()
		sum += int(u&0xffff) + int(u>>16&0xffff) + int(u>>32&0xffff) + int(u>>48)
	}
	return float64(sum-12*0x7fff-6) / 65536 // 12 times the mean 32767.5 is taken off
}

// around gives a normal number with this mean and standard deviation.
func (d dice) around(mean, sd float64) float64 { return mean + float64(sd*d.normal()) }

// spread gives a log-normal factor with median 1.
func (d dice) spread(logSD float64) float64 { return exponential(logSD * d.normal()) }

// exponential is e to the power x for |x| under about 10, to 12 digits: the
// series for x/64, squared six times. math.Exp is avoided because its last bit
// differs between platforms.
func exponential(x float64) float64 {
	x /= 64
	sum, term := 1.0, 1.0
	for i := 1; i <= 8; i++ {
		term = float64(term*x) / float64(i)
		sum += term
	}
	for range 6 {
		sum *= sum
	}
	return sum
}

// option is one value of a set with its share of the whole.
type option[T any] struct {
	value T
	share float64
}

// pick chooses one of the options in proportion to their shares.
func pick[T any](d dice, options []option[T]) T {
	total := 0.0
	for _, o := range options {
		total += o.share
	}
	at := d.rand.Float64() * total
	for _, o := range options {
		if at < o.share {
			return o.value
		}
		at -= o.share
	}
	return options[len(options)-1].value
}

// band is one row of a table by number of cases: the value holds up to and including upTo.
type band struct {
	upTo  int
	value float64
}

const noEnd = 1 << 30

func lookUp(bands []band, cases int) float64 {
	for _, b := range bands {
		if cases <= b.upTo {
			return b.value
		}
	}
	return bands[len(bands)-1].value
}
