// Package streamtest gives tests of the stream what they break: NATS servers as
// processes of their own, which can be killed; disks that lose their power or
// fill up; and a ledger of what was acknowledged, kept outside of both.
//
// A test binary that imports it is its own server program: started with the
// environment variable of childEnv, it runs a server instead of the tests.
package streamtest

import (
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// Long is the environment variable that asks for the long form of every test
// that breaks something: a number of rounds. Unset means the quick form.
const Long = "TORTURE"

// IsLong says whether the long form is asked for.
func IsLong() bool { return os.Getenv(Long) != "" }

// Rounds is how often a test breaks something: quick times, or, in the long form,
// times as many as each for every round asked for.
func Rounds(t testing.TB, quick, each int) int {
	t.Helper()
	if !IsLong() {
		return quick
	}
	n, err := strconv.Atoi(os.Getenv(Long))
	if err != nil || n < 1 {
		t.Fatalf("%s=%q isn't a number of rounds", Long, os.Getenv(Long))
	}
	return n * each
}

// Random gives the chance of a test, and prints the seed that gives it again
// through the environment variable SEED.
func Random(t testing.TB) *rand.Rand {
	t.Helper()
	seed := rand.Uint64()
	if text := os.Getenv("SEED"); text != "" {
		var err error
		if seed, err = strconv.ParseUint(text, 10, 64); err != nil {
			t.Fatalf("SEED=%q isn't a seed", text)
		}
	}
	t.Logf("seed: SEED=%d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}
