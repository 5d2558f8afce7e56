package department

import (
	"lensledger/projections/archive"
	"lensledger/projections/outcome"
)

// BenchmarksOf makes the figures of some operations without a server.
func BenchmarksOf(department string, p Period, asOf archive.AsOf, list []outcome.Operation) (Benchmarks, error) {
	return benchmarks(department, p, asOf, summed(list))
}
