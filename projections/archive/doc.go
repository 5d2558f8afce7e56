// Package archive reads the second copy of every event, the table event_log, and
// turns it into the sets that package fold takes: whole, or as they stood at an
// earlier position. The projector writes the table; the read models come here for
// as-of questions.
package archive
