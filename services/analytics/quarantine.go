package analytics

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/web"
)

// quarantine is the answer: what waits and what was released, by position.
type quarantine struct {
	Basis
	N           int                       `json:"n"`
	Quarantined []archive.Quarantined     `json:"quarantined"`
	Counts      []archive.QuarantineCount `json:"counts"` // of all pages, by source and reason
	Next        *string                   `json:"next"`   // after= of the next page; null at the end
}

// getQuarantine serves GET /v1/quarantine.
func (s *Service) getQuarantine(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	after, err := p.AfterSequence()
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.answer(w, r, question{reader: Reader(who), query: query, page: p,
		// A release is noted as soon as the log has the event, and the position
		// that it changes may have gone by then.
		beside: func(tx pgx.Tx) (string, error) {
			_, released, err := archive.CountQuarantine(r.Context(), tx)
			return strconv.Itoa(released), err
		},
		answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
			list, err := archive.Quarantine(r.Context(), tx, after, p.Limit+1)
			if err != nil {
				return nil, err
			}
			until := archive.Newest
			if asOf.Past {
				until = asOf.Position
			}
			counts, err := archive.QuarantineCounts(r.Context(), tx, until)
			if err != nil {
				return nil, err
			}
			list, next := cut(p, asOf, quarantineAt(list, asOf), func(q archive.Quarantined) string { return strconv.FormatUint(q.Sequence, 10) })
			return quarantine{Basis: basis(asOf), N: len(list), Quarantined: list, Counts: counts, Next: next}, nil
		},
	})
}

// quarantineAt leaves out of a list by position what came after a moment.
func quarantineAt(list []archive.Quarantined, asOf archive.AsOf) []archive.Quarantined {
	if !asOf.Past {
		return list
	}
	list = slices.DeleteFunc(list, func(q archive.Quarantined) bool { return q.Sequence > asOf.Position })
	for i, q := range list {
		if q.ReleasedAs != nil && *q.ReleasedAs > asOf.Position {
			list[i].ReleasedAs, list[i].Mapping = nil, nil
		}
	}
	return list
}

// replayed is the answer to a replay.
type replayed struct {
	Sequence   uint64 `json:"sequence"`
	ReleasedAs uint64 `json:"released_as"` // the new position
}

// postReplay serves POST /v1/quarantine/{sequence}/replays.
func (s *Service) postReplay(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sequence, err := strconv.ParseUint(mux.Vars(r)["sequence"], 10, 63)
	if err != nil {
		s.fail(w, r, web.NotFound())
		return
	}
	var body struct {
		Mappings []events.Mapping `json:"mappings"`
	}
	if r.ContentLength != 0 { // without a body the event is sent as it was received
		if _, err := readBody(r, &body); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	released, err := Replay(r.Context(), s.cfg.Pool, s.cfg.Releaser, who, sequence, body.Mappings)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	web.WriteJSON(w, http.StatusAccepted, replayed{Sequence: sequence, ReleasedAs: released})
}

// releaseWithin bounds the wait for the log.
const releaseWithin = 10 * time.Second

// Replay sends a quarantined event that the actor may see again, as it was
// received or with some of its publisher's words exchanged, and gives its new
// position. Failures that a person may read are *web.Error.
func Replay(ctx context.Context, pool *pgxpool.Pool, releaser Releaser, who access.Actor, sequence uint64, mappings []events.Mapping) (uint64, error) {
	var with *archive.Exchange
	if len(mappings) > 0 {
		with = &archive.Exchange{By: string(PersonCode(who)), Mappings: mappings}
	}
	err := pg.AsActor(ctx, pool, Reader(who), func(tx pgx.Tx) error {
		seen, err := archive.InQuarantine(ctx, tx, sequence)
		if err == nil && !seen {
			return web.NotFound()
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	// The log is asked until it answers; a person isn't kept waiting for ever.
	within, cancel := context.WithTimeout(ctx, releaseWithin)
	defer cancel()
	released, err := releaser.Release(within, sequence, with)
	var still *projector.StillRefused
	switch {
	case errors.As(err, &still):
		faults := make([]web.Fault, len(still.Problems))
		for i, p := range still.Problems {
			faults[i] = web.Fault(p)
		}
		return 0, &web.Error{Code: web.CodeRefused, Message: "The event still can't be read, so it stays in quarantine. Let its source send it again, put right, with the same id.", Faults: faults}
	case errors.Is(err, projector.ErrReleased):
		return 0, &web.Error{Code: web.CodeRefused, Message: "This event was sent again before; the list of what is in quarantine says under which position."}
	case errors.Is(err, projector.ErrNotQuarantined):
		return 0, web.NotFound()
	case err != nil && within.Err() != nil:
		return 0, &web.Error{Code: web.CodeUnavailable, Message: "The log doesn't take events for the moment. The event stays in quarantine: try again."}
	}
	return released, err
}
