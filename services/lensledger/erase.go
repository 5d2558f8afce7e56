package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/projector"
)

type eraseCommand struct {
	servers
	Patient string        `xor:"who" help:"Code of the patient whose identity is erased."`
	Surgeon string        `xor:"who" help:"Code of the surgeon or trainer whose identity is erased."`
	Reason  string        `required:"" help:"Why, in up to 200 characters without the code: it is kept with the record."`
	Scrub   bool          `help:"Write the tables anew, so that no page of the database holds the old bytes; it locks them meanwhile."`
	Wait    time.Duration `default:"30s" help:"How long the projector may stand still before the command gives up."`
}

// Run erases one person's identity. NATS_URL and its credentials have to be those
// that may erase; the projector has to be running elsewhere.
func (c *eraseCommand) Run(ctx context.Context) error {
	logTo(slog.LevelWarn)
	request := projector.ErasureRequest{Role: events.RolePatient, Code: c.Patient, Reason: c.Reason, Scrub: c.Scrub}
	switch {
	case c.Surgeon != "" && c.Patient == "":
		request.Role, request.Code = events.RoleSurgeon, c.Surgeon
	case c.Patient == "" || c.Surgeon != "":
		return errors.New("erase: give --patient CODE or --surgeon CODE")
	}
	return c.withBoth(ctx, "erase", func(pool *pgxpool.Pool, s *stream.Stream) error {
		e := projector.NewEraser(projector.EraserConfig{Pool: pool, Base: c.Schema, Stream: s, Wait: c.Wait})
		report, err := e.Run(ctx, request)
		if err != nil {
			return err
		}
		out := json.NewEncoder(os.Stdout)
		out.SetIndent("", "  ")
		if err := out.Encode(report); err != nil {
			return err
		}
		for _, note := range []struct {
			about bool
			text  string
		}{
			{report.InIDs > 0, fmt.Sprintf("%d events have the code within their id, which stays: let their source make other ids", report.InIDs)},
			{report.InCaseCodes > 0, fmt.Sprintf("%d events have the code within their case's code, which stays", report.InCaseCodes)},
			{len(report.Copies) > 0, "a rebuild or verify that was broken off has left a copy of the read models; run it once more, which clears it away"},
		} {
			if note.about {
				slog.Warn(note.text)
			}
		}
		return nil
	})
}
