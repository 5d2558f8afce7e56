// Package outcome is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): one row for each case code, with what the operation
// came to. It owns the table operation, written by the projector and read by the
// API and the pages through the same functions.
package outcome
