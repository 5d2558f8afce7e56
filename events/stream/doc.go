// Package stream is step 2 of an event's way: it carries events from their
// publishers to the one ordered, durable log. The event itself (step 1) comes
// before it in package events; the archive and the folds (step 3) come after it
// in projections.
//
// The log is the JetStream stream CASES. Its sequence is the only order of
// arrival. Sequences are contiguous from 1, because nothing limits, filters or
// purges the stream; so a reader can prove that it missed nothing, and a
// position is safe to keep elsewhere. Every setting that this rests on is
// checked when the stream is opened, and a wrong one is refused by name.
//
// The package moves bytes and headers and knows nothing of what they mean. It
// is the only importer of the NATS packages.
package stream
