// Package migrations holds the archive's schema, in the order in which it grew.
// Read models are not in it: they are made anew, never altered.
package migrations

import "embed"

// FS holds the migrations.
//
//go:embed *.sql
var FS embed.FS
