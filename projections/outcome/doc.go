// Package outcome is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): one row for each case code, with what the operation
// came to in theatre, and one for each operation that enters the benchmarks, with
// what its eye came to in the weeks after. It owns the tables operation and
// eye_outcome, written by the projector and read by the API and the pages through
// the same functions.
package outcome
