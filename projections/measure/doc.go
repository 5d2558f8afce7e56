// Package measure is step 5 of an event's way: event, stream, fold, rows,
// measure, API. Rows come before it and the API after it.
//
// It is arithmetic only: rates with their intervals, expected risks, charts and
// the run lengths of charts. Nothing here reads a clock, a file or a database,
// and the same input gives the same bytes at every GOAMD64 level: every product
// that is then added is written float64(x*y), which forbids a fused
// multiply-add. The exception is the last digits of exact intervals and of
// Student's t, which come from the library's incomplete beta and gamma functions.
//
// Bad input is an *ArgumentError that names the argument and what is allowed.
// No function panics and none gives NaN or infinity.
//
// Every measure is for quality improvement. None is a verdict on a person.
package measure
