package access

import (
	"testing"

	"lensledger/projections/pg/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }
