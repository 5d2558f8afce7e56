package stream

import (
	"errors"
	"fmt"
	"time"

	"go.etcd.io/bbolt"
)

// Takes says why nothing more is kept, if that is so: ErrSpoolFull, within a
// hundredth of the bound, or ErrSpoolFailed.
func (s *Spool) Takes() error {
	if s.failed.Load() {
		return ErrSpoolFailed
	}
	state, err := s.State()
	if err == nil && state.Bytes >= s.cfg.MaxBytes-s.cfg.MaxBytes/100 {
		err = ErrSpoolFull
	}
	return err
}

// RefusedEvent is one event that the log refused for good.
type RefusedEvent struct {
	Outgoing
	KeptAt time.Time // when it was taken
	Reason string
}

// Refused lists refused events, the oldest first, at most limit.
func (s *Spool) Refused(limit int) (list []RefusedEvent, err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	err = s.db.View(func(tx *bbolt.Tx) error {
		f, err := openRecords(tx)
		if err != nil {
			return err
		}
		c := f.refused.Cursor()
		for key, value := c.First(); key != nil && len(list) < limit; key, value = c.Next() {
			e, err := decodeSpooled(key, value)
			if err != nil {
				return err
			}
			list = append(list, RefusedEvent{Outgoing: e.Outgoing, KeptAt: e.keptAt, Reason: e.reason})
		}
		return nil
	})
	return list, err
}

// Retry has all refused events wait again, as after a change of permissions, and
// says how many there are.
func (s *Spool) Retry() (n int, err error) {
	for after, more := []byte(nil), true; more; {
		var group []spooled
		err := s.write(func(tx *bbolt.Tx) error {
			f, err := openRecords(tx)
			if err != nil {
				return err
			}
			if group, err = readGroup(f.refused, after); err != nil {
				return err
			}
			for _, e := range group {
				err = errors.Join(err, f.remove(f.refused, e.key))
				e.reason = ""
				err = errors.Join(err, f.put(f.waiting, e))
			}
			return errors.Join(err, f.save())
		})
		if err != nil {
			return n, fmt.Errorf("retry refused events: %w", err)
		}
		n += len(group)
		if more = len(group) > 0; more {
			after = group[len(group)-1].key
		}
	}
	signal(s.handed)
	return n, nil
}
