package main

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/projector"
)

type simulateCommand struct {
	servers
	Seed    uint64 `help:"Seed: the same seed gives the same events; 0 is the demo's own."`
	Cases   int    `default:"6000" help:"Number of operations."`
	Publish bool   `help:"Publish to NATS instead of writing one event a line." xor:"to"`

	ToArchive bool `help:"File in an empty archive by COPY instead, for measuring: no stream stands behind it, so nothing can be added. Make its read models with rebuild." xor:"to"`
}

// Run writes, publishes or files an invented scenario. None of it is held in memory.
func (c *simulateCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	scenario := scenarioOf(c.Seed, c.Cases)
	fmt.Fprintln(os.Stderr, simulate.Invented)
	if c.ToArchive {
		return c.withArchive(ctx, func(p *projector.Projector) error { return file(ctx, p, scenario) })
	}
	if !c.Publish {
		out := bufio.NewWriterSize(os.Stdout, 1<<20)
		for e := range scenario.Events() {
			if _, err := out.Write(append(e.Encode(), '\n')); err != nil {
				return err
			}
		}
		return out.Flush()
	}
	return c.withBoth(ctx, "simulate", func(_ *pgxpool.Pool, s *stream.Stream) error {
		n, err := publish(ctx, s.Publisher(), scenario)
		slog.Info("invented events published", "events", n)
		return err
	})
}

// file writes a scenario's events into an empty archive, recorded as they are made.
func file(ctx context.Context, p *projector.Projector, scenario simulate.Scenario) error {
	began := time.Now()
	last, err := p.FileArchive(ctx, func(yield func(stream.Message) bool) {
		for e := range scenario.Events() {
			if !yield(stream.Message{Subject: projector.SubjectOf(e), Data: e.Encode(), Time: time.Now()}) {
				return
			}
		}
	})
	slog.Info("invented events filed", "events", last, "took", time.Since(began).Round(time.Millisecond))
	return err
}

// scenarioOf is the demo's scenario with another seed, unless that is 0, and length.
func scenarioOf(seed uint64, cases int) simulate.Scenario {
	s := simulate.Demo()
	if seed != 0 {
		s.Seed = seed
	}
	s.Cases = cases
	return s
}

// publishAtOnce is how many events are handed to the publisher at a time.
const publishAtOnce = 2000

// publish sends a scenario's events and checks every acknowledgement.
func publish(ctx context.Context, p *stream.Publisher, scenario simulate.Scenario) (int, error) {
	batch := make([]stream.Outgoing, 0, publishAtOnce)
	sent := 0
	flush := func() error {
		for i, r := range p.PublishBatch(ctx, batch) {
			if r.Err != nil {
				return fmt.Errorf("publish event %d: %w", sent+i, r.Err)
			}
		}
		sent += len(batch)
		batch = batch[:0]
		return nil
	}
	for e := range scenario.Events() {
		batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()})
		if len(batch) == publishAtOnce {
			if err := flush(); err != nil {
				return sent, err
			}
		}
	}
	return sent, flush()
}
