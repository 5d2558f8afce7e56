// Package events is the first step of an event's way: the vocabulary. It holds
// the event types, their envelope, the strict decoder, the canonical form with
// its hash, and the JSON Schemas. Package stream carries the events next, and
// package fold makes cases of them. It imports the standard library only, has
// no clock and does no I/O.
//
// The struct tags of the payloads are the single source of field names and
// limits. The decoder, the canonical form, the JSON Schema and docs/events.md
// are derived from them:
//
//	wire:"name"        the field's name in JSON
//	required           refused when absent
//	min=, max=, step=  hard limits: outside is refused
//	usual=a..b         confirm limits: outside is stored and listed
//	axis               degrees of an axis: 180 is stored as 0
//	or=word            one more word than the vocabulary has
package events
