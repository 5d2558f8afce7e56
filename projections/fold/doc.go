// Package fold is step 3 of an event's way (event, stream, FOLD, rows, measure,
// API): it turns the set of events about one case, surgeon or chart into a
// Case, Surgeon or Chart. Everything here is a pure function of a set: arrival
// order, duplicates and batches can't matter. Package stream comes before it;
// the row functions of outcome, learning, department and alarm come after.
package fold
