// Package learning is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): surgeons, and one row for each operator of an
// operation, from which the charts of a surgeon follow.
package learning
