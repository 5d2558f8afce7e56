package projector_test

import (
	"os"
	"slices"
	"testing"
)

// scope ends what was begun in it before the test does: a property is checked a
// thousand times in one test, each time on servers of its own.
type scope struct {
	testing.TB
	after []func()
}

// scoped runs a check in a scope of its own.
func scoped(t testing.TB, check func(testing.TB)) {
	t.Helper()
	s := &scope{TB: t}
	defer func() {
		for _, f := range slices.Backward(s.after) {
			f()
		}
	}()
	check(s)
}

func (s *scope) Cleanup(f func()) { s.after = append(s.after, f) }

func (s *scope) TempDir() string {
	s.Helper()
	dir, err := os.MkdirTemp("", "lensledger-scope-")
	if err != nil {
		s.Fatal(err)
	}
	s.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			s.Error(err)
		}
	})
	return dir
}
