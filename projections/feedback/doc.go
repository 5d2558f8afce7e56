// Package feedback is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): the teaching points noted for a surgeon, the reviews
// of their cases and what they say is wrong in records, how often a point comes
// back after the advice, and the summary of one case at its stage. It comes after fold and reads operation and
// chart_entry beside its own tables. It never gives a verdict on a person.
package feedback
