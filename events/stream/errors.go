package stream

import (
	"errors"
	"fmt"
)

// ErrMissing says that the stream doesn't exist where it must: it was deleted,
// the wrong server was named, or this process may not create it.
var ErrMissing = errors.New("stream " + StreamName + " doesn't exist")

// ErrNotFound says that no message is stored at a sequence.
var ErrNotFound = errors.New("no message at this sequence")

// SettingError names one setting of the server or the stream that breaks a
// promise of the registry. Open joins one for each wrong setting.
type SettingError struct {
	Setting string // as the server spells it, for example "deny_purge"
	Got     string // the value in force
	Want    string // what it must be
	Why     string // what breaks otherwise
}

func (e *SettingError) Error() string {
	return fmt.Sprintf("setting %s of %s is %s, must be %s: %s", e.Setting, StreamName, e.Got, e.Want, e.Why)
}

// EpochError says that the stream isn't the one that the caller's checkpoint
// belongs to: it was deleted and created anew. Its low sequences are other
// events than those already applied.
type EpochError struct{ Got, Want string }

func (e *EpochError) Error() string {
	return fmt.Sprintf("stream %s has epoch %q, the checkpoint belongs to epoch %q: the stream was recreated; restore it, or rebuild from the archive", StreamName, e.Got, e.Want)
}

// BehindError says that the log ends before a position that was already read:
// it was restored from an older backup or lost its tail.
type BehindError struct {
	Last       uint64 // last sequence of the log
	Checkpoint uint64 // last sequence known to have existed
}

func (e *BehindError) Error() string {
	return fmt.Sprintf("stream %s ends at sequence %d, behind the checkpoint %d: the log lost its tail; restore it before going on", StreamName, e.Last, e.Checkpoint)
}

// HistoryError says that the log holds another message at a sequence than the one
// that was read there: it was restored from an older copy and has gone on, so that
// events acknowledged in between are gone and their sequences are others' now.
type HistoryError struct{ Sequence uint64 }

func (e *HistoryError) Error() string {
	return fmt.Sprintf("sequence %d of stream %s isn't the message that was read there: the log was restored from an older copy and has gone on; restore the newer one", e.Sequence, StreamName)
}

// GapError says that stored messages are missing between two sequences.
type GapError struct {
	Expected uint64 // the sequence that had to come next
	Got      uint64 // the sequence that came, or 0 if the messages up to Last are gone
	Last     uint64 // last sequence of the log when Got is 0
}

func (e *GapError) Error() string {
	if e.Got == 0 {
		return fmt.Sprintf("gap in stream %s: sequences %d to %d are missing at its end", StreamName, e.Expected, e.Last)
	}
	return fmt.Sprintf("gap in stream %s: sequence %d expected, %d found", StreamName, e.Expected, e.Got)
}

// DeniedError says that the server doesn't let these credentials publish on a
// subject. Trying again is no use.
type DeniedError struct{ Subject string }

func (e *DeniedError) Error() string {
	return fmt.Sprintf("publish on %s is not permitted for these credentials", e.Subject)
}

// TooLargeError says that a message can't be stored for its size.
type TooLargeError struct{ Bytes, Limit int }

func (e *TooLargeError) Error() string {
	return fmt.Sprintf("message of %d bytes with its headers, at most %d are allowed", e.Bytes, e.Limit)
}
