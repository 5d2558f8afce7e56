package analytics

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// IntakeSource is what one source sent for one department and what became of it.
type IntakeSource struct {
	Source       string           `json:"source"`
	Department   string           `json:"department"`
	Counts       map[string]int64 `json:"counts"` // by disposition
	N            int64            `json:"n"`
	LastSequence uint64           `json:"last_sequence"`
	LastSeen     time.Time        `json:"last_seen"` // recorded time of the last event
}

// Lag is how far the rows are behind the stream.
type Lag struct {
	Events  uint64  `json:"events"`
	Seconds float64 `json:"seconds"` // age of the oldest event that waits
}

// Intake is what arrived, as far as the reader may know.
type Intake struct {
	Basis
	N       int64            `json:"n"`
	Counts  map[string]int64 `json:"counts"` // by disposition, over all sources
	Sources []IntakeSource   `json:"sources"`
	Lag     *Lag             `json:"lag"` // null when it isn't known

	// Troubles is what counts in no figure; null for a role that sees counts alone.
	Troubles *archive.Troubles `json:"troubles"`
	Spool    *Spool            `json:"spool"` // null where there is none
}

// Spool is what waits on the service's own disk because the log was away.
type Spool struct {
	Waiting int        `json:"waiting"`
	Oldest  *time.Time `json:"oldest"` // when the oldest was taken; null when none waits
	Refused int        `json:"refused"`
	Bytes   int64      `json:"bytes"`
}

// Spooler knows the spool; *intake.Service is one.
type Spooler interface {
	SpoolState() (*stream.SpoolState, error)
}

// getIntake serves GET /v1/intake.
func (s *Service) getIntake(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := readQuery(r); err != nil {
		s.fail(w, r, err)
		return
	}
	answer, err := s.ReadIntake(r.Context(), Reader(who))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	web.WriteJSON(w, http.StatusOK, answer)
}

// ReadIntake gives the books on what arrived, sorted by source and department,
// as far as the reader may see them.
func (s *Service) ReadIntake(ctx context.Context, reader pg.Actor) (Intake, error) {
	out := Intake{Counts: map[string]int64{}, Sources: []IntakeSource{}}
	err := pg.AsActor(ctx, s.cfg.Pool, reader, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		out.Basis = basis(asOf)
		counts, err := archive.Intake(ctx, tx)
		if err != nil {
			return err
		}
		for _, c := range counts {
			out.count(c.Source, c.Department, c.Disposition, c.Events, uint64(c.LastSequence), c.LastRecordedAt.UTC())
		}
		if reader.Role == string(access.Administrator) {
			return nil
		}
		troubles, err := archive.ReadTroubles(ctx, tx)
		out.Troubles = &troubles
		return err
	})
	if err != nil {
		return out, err
	}
	out.Lag = s.lag(ctx)
	if spooler, ok := s.cfg.Desk.(Spooler); ok {
		out.Spool, err = spoolOf(spooler)
	}
	return out, err
}

func spoolOf(s Spooler) (*Spool, error) {
	state, err := s.SpoolState()
	if err != nil || state == nil {
		return nil, err
	}
	out := &Spool{Waiting: state.Waiting, Refused: state.Refused, Bytes: state.Bytes}
	if !state.Oldest.IsZero() {
		at := state.Oldest.UTC()
		out.Oldest = &at
	}
	return out, nil
}

func (in *Intake) count(source, department, disposition string, n int64, last uint64, seen time.Time) {
	in.N += n
	in.Counts[disposition] += n
	i := len(in.Sources) - 1
	if i < 0 || in.Sources[i].Source != source || in.Sources[i].Department != department {
		in.Sources = append(in.Sources, IntakeSource{Source: source, Department: department, Counts: map[string]int64{}})
		i++
	}
	s := &in.Sources[i]
	s.Counts[disposition] = n
	s.N += n
	if last > s.LastSequence {
		s.LastSequence, s.LastSeen = last, seen
	}
}

// lagWithin bounds the wait for the stream: the books are worth having without.
const lagWithin = 2 * time.Second

func (s *Service) lag(ctx context.Context) *Lag {
	if s.cfg.Lag == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, lagWithin)
	defer cancel()
	waiting, age, err := s.cfg.Lag.Lag(ctx)
	if err != nil {
		s.cfg.Logger.LogAttrs(ctx, slog.LevelWarn, "lag not known",
			slog.String("request_id", web.RequestID(ctx)), slog.String("error", err.Error()))
		return nil
	}
	return &Lag{Events: waiting, Seconds: age.Seconds()}
}
