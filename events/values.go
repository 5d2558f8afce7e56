package events

import "time"

// Opt is a value that may be unknown. An absent field is unknown, never zero
// and never no.
type Opt[T any] struct {
	Value T
	Known bool
}

// Some is a known value.
func Some[T any](v T) Opt[T] { return Opt[T]{Value: v, Known: true} }

// Fact is a yes/no fact that may be unknown.
type Fact int8

// The states of a Fact.
const (
	Unknown Fact = iota
	No
	Yes
)

// FactOf turns a bool into a known Fact.
func FactOf(b bool) Fact {
	if b {
		return Yes
	}
	return No
}

// Hundredths is a decimal number with at most two places, held as a whole
// number of hundredths: 22.5 dioptres are 2250.
type Hundredths int32

// String gives h in plain decimals, "22.5".
func (h Hundredths) String() string { return string(appendScaled(nil, int64(h), 2)) }

// Millionths is a decimal number with at most six places, held as a whole
// number of millionths: a probability of 0.02 is 20000.
type Millionths int64

// Float gives m as a floating-point number.
func (m Millionths) Float() float64 { return float64(m) / 1e6 }

// String gives m in plain decimals, "0.02".
func (m Millionths) String() string { return string(appendScaled(nil, int64(m), 6)) }

// Date is a calendar date, "2025-03-12".
type Date string

// Code names a person, a case, a chart or a source: [A-Za-z0-9_-]{1,40}.
type Code string

// Text is free text of at most 500 characters. It is never indexed.
type Text string

// Instant is a time with an offset inside data.
type Instant = time.Time

// Raw is a JSON object in canonical form, whose meaning depends on another
// event: the replacement data of an amendment.
type Raw []byte
