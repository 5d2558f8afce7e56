package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"strings"

	"lensledger/events/stream"
	"lensledger/projections/projector"
)

type verifyCommand struct {
	servers
	Sample int    `help:"Compare the copies of this many events, chosen at random, in place of all."`
	Seed   uint64 `help:"Seed of the choice, to repeat one; 0 takes a new one and prints it."`
}

// verification is what verify prints.
type verification struct {
	Copies projector.Copies        `json:"copies"`
	Models *projector.Verification `json:"read_models"` // null where they couldn't be made anew
}

// Run compares the two copies of every event, then live and rebuilt read models; it
// fails when anything differs. Without a stream, the archive is held against its own
// hashes.
func (c *verifyCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	if err := c.check(); err != nil {
		return err
	}
	pool, err := c.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	cfg := projector.Config{Pool: pool, Base: c.Schema}
	var problems []error
	if c.NatsURL != "" {
		// Neither the checkpoint's epoch nor its position is asked for here: a log that
		// lost its end is to be looked at, and the comparison names an epoch itself.
		s, err := stream.Open(ctx, stream.Config{URL: c.NatsURL, CredentialsFile: c.NatsCreds, InboxPrefix: c.InboxPrefix,
			Name: "lensledger verify", Logger: slog.Default()})
		if err == nil {
			defer s.Close()
			cfg.Stream = s
		} else {
			problems = append(problems, fmt.Errorf("the stream couldn't be read, so the archive was held against its own hashes alone: %w", err))
		}
	}
	if c.Seed == 0 {
		c.Seed = rand.Uint64()>>11 + 1 // JSON carries 53 bits
	}
	p := projector.New(cfg)
	var v verification
	if v.Copies, err = p.CompareCopies(ctx, projector.CopiesConfig{Sample: c.Sample, Seed: c.Seed}); err != nil {
		problems = append(problems, err)
	} else if !v.Copies.Equal() {
		problems = append(problems, errors.New(copiesDiffer(v.Copies)))
	}
	if models, err := p.Verify(ctx); err != nil {
		problems = append(problems, fmt.Errorf("make the read models anew: %w", err))
	} else {
		v.Models = &models
		if !models.Equal() {
			problems = append(problems, fmt.Errorf("the live read models differ from the archive's at position %d: %s; see the runbook projector.md, Verify differs",
				models.Position, strings.Join(models.Differing(), "; ")))
		}
	}
	return errors.Join(append(problems, json.NewEncoder(os.Stdout).Encode(v))...)
}

// copiesDiffer says what was found, the first of it.
func copiesDiffer(c projector.Copies) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d of %d positions differ between stream and archive; see the runbook backup.md, Copies differ:", c.Different, c.Compared)
	for i, d := range c.Differences {
		if i == 10 {
			b.WriteString(" and more, all in the output;")
			break
		}
		fmt.Fprintf(&b, " sequence %d", d.Sequence)
		if d.Through > 0 {
			fmt.Fprintf(&b, " to %d", d.Through)
		}
		fmt.Fprintf(&b, " %s in %s (%s);", d.Kind, d.Copy, d.Detail)
	}
	return strings.TrimSuffix(b.String(), ";")
}
