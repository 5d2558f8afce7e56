package pg_test

import (
	"context"
	"testing"
	"time"

	"lensledger/projections/pg/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// ctxFor ends before a stuck test would hold up the others.
func ctxFor(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}
