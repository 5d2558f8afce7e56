// Package pg is the ground that steps 3 and 4 of an event's way stand on: the
// archive and the read models live in PostgreSQL, and this package opens them.
// The stream (step 2) comes before it, the folds and rows (steps 3 and 4) are
// written through it, and the API (step 6) reads through AsActor only.
//
// A registry is a pair of schemas: <base> holds the archive and outlives every
// rebuild, <base>_model holds the read models and is swapped whole. It knows
// nothing of what the tables mean.
package pg
