// Package alarm is a read model of step 4 of an event's way (event, stream, fold,
// ROWS, measure, API): the charts of every surgeon, their designs and reviews, and
// the alarms that follow. A chart crossing its line asks for a review by a named
// person; it is never a verdict. Charts of steps and of a department's eyes raise
// no alarm: they are drawn when they are read, and nothing of them is stored.
package alarm
