// Package learning is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): surgeons; one row for each operator of an operation,
// from which the charts of a surgeon follow; the steps of an operation by
// operator; and peer bands, step times by experience, of which no person's row is
// ever shown. It comes after fold and outcome; alarm and feedback read it.
package learning
