// Package portal is part of step 6 of an event's way (event, stream, fold, rows,
// measure, API): the pages that people read. They are made on the server, need no
// script, and show what the read models' own read functions give; the only thing
// a page works out is a sentence. Every page says who asks, as of when, under
// which definitions, and that a named person decides.
package portal
