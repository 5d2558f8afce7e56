package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"time"

	"lensledger/events/stream"
	"lensledger/services/web"
)

// spoolFlags say where events wait while the stream is away.
type spoolFlags struct {
	Spool      string `env:"LENSLEDGER_SPOOL" help:"Folder that keeps events on this machine's disk while NATS is away. Without it they are refused then."`
	SpoolBytes int64  `env:"LENSLEDGER_SPOOL_BYTES" default:"1073741824" help:"Most bytes of events in the spool; its file may be twice as large."`
}

// openSpool opens the spool, if one was asked for.
func (f spoolFlags) openSpool(p *stream.Publisher) (*stream.Spool, error) {
	if f.Spool == "" {
		return nil, nil
	}
	return stream.OpenSpool(stream.SpoolConfig{Dir: f.Spool, Publisher: p, MaxBytes: f.SpoolBytes, Logger: slog.Default()})
}

// withSpool makes the checks of a service that takes events while the stream is
// away: it mustn't be taken out of service for that.
func withSpool(checks []web.Check, s *stream.Stream, spool *stream.Spool) []web.Check {
	if spool == nil {
		return checks
	}
	for i, c := range checks {
		if c.Name == "stream" || c.Name == "projection" {
			checks[i].Run = func(ctx context.Context) error {
				if !s.Connected() {
					return nil
				}
				return c.Run(ctx)
			}
		}
	}
	return append(checks, web.Check{Name: "spool",
		Run: func(context.Context) error { return spool.Takes() },
		Note: func() string {
			state, err := spool.State()
			if err != nil {
				return "" // then Takes fails too
			}
			return fmt.Sprintf("%d events wait for the log", state.Waiting)
		}})
}

type spoolCommand struct {
	Dir   string `arg:"" help:"Folder of the spool."`
	Retry bool   `help:"Have the refused events wait again: the next service that uses the spool sends them."`
}

// spoolContent is what the command prints.
type spoolContent struct {
	Waiting int            `json:"waiting"`
	Oldest  *time.Time     `json:"oldest,omitempty"` // when the oldest that waits was taken
	Bytes   int64          `json:"bytes"`
	Refused []refusedEvent `json:"refused"` // those that the stream refused for good, at most maxListed
	Retried int            `json:"retried,omitempty"`
}

type refusedEvent struct {
	MessageID string    `json:"message_id"`
	Subject   string    `json:"subject"`
	KeptAt    time.Time `json:"kept_at"`
	Reason    string    `json:"reason"`
	Data      []byte    `json:"data"` // base64
}

const maxListed = 1000

// Run prints what the spool holds.
func (c *spoolCommand) Run() (err error) {
	if _, err := os.Stat(c.Dir); err != nil {
		return err // opening would make one
	}
	spool, err := stream.OpenSpool(stream.SpoolConfig{Dir: c.Dir})
	if err != nil {
		return err
	}
	defer func() {
		if closing := spool.Close(); err == nil {
			err = closing
		}
	}()
	out := spoolContent{Refused: []refusedEvent{}}
	if c.Retry {
		if out.Retried, err = spool.Retry(); err != nil {
			return err
		}
	}
	state, err := spool.State()
	if err != nil {
		return err
	}
	out.Waiting, out.Bytes = state.Waiting, state.Bytes
	if !state.Oldest.IsZero() {
		out.Oldest = &state.Oldest
	}
	refused, err := spool.Refused(maxListed)
	if err != nil {
		return err
	}
	for _, e := range refused {
		out.Refused = append(out.Refused, refusedEvent{e.MessageID, e.Subject, e.KeptAt, e.Reason, e.Data})
	}
	enc := json.NewEncoder(os.Stdout)
	enc.SetIndent("", "  ")
	return enc.Encode(out)
}
