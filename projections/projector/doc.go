// Package projector moves an event from the stream into the archive and the read
// models: one transaction for a batch of messages, with the position in it. It
// also rebuilds the read models from the archive, through the same folds and row
// functions, and verifies that both agree. It spans steps 2 to 4 of an event's way
// (event, STREAM, FOLD, ROWS, measure, API).
package projector
