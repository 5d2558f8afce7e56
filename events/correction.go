package events

// EventAmended replaces the whole data of one earlier event. Its subject is the
// target's subject, which it can't change. TargetType lets the replacement be
// checked on arrival; it is required where two versions of one identity are of
// different types. OccurredAt, when given, replaces the time of the target.
type EventAmended struct {
	TargetSource Code         `wire:"target_source,required"`
	TargetID     ID           `wire:"target_id,required"`
	TargetType   Type         `wire:"target_type"`
	OccurredAt   Opt[Instant] `wire:"occurred_at"`
	Data         Raw          `wire:"data,required"`
}

// EventRetracted takes back one earlier event, or a correction.
type EventRetracted struct {
	TargetSource Code `wire:"target_source,required"`
	TargetID     ID   `wire:"target_id,required"`
	Reason       Text `wire:"reason"`
}

// ID is an event's id as its publisher made it: 1 to 100 printable characters.
type ID string
