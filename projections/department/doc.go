// Package department is a read model of step 4 of an event's way (event, stream,
// fold, ROWS, measure, API): sums by department and month, and the benchmarks
// made of them.
package department
