package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/migrations"
	"lensledger/projections/projector"
)

type restoreCommand struct {
	servers
	From              string `help:"Folder of a backup." xor:"what" required:""`
	StreamFromArchive bool   `help:"Give a stream that lost its end, or all of it, its messages back from the archive, each under its old sequence. Stop intake and every publisher first." xor:"what" required:""`
	Only              string `enum:",archive,stream" default:"" help:"Restore the archive or the stream alone."`
	Overwrite         bool   `help:"Replace the archive and the stream that are there. What they hold and the backup doesn't is lost."`
	StreamReplicas    int    `help:"Number of the stream's copies, where it isn't to be that of the backup."`
}

// restored is what a restore prints.
type restored struct {
	Epoch        string `json:"epoch"`
	Position     uint64 `json:"position"`      // of the archive
	LastSequence uint64 `json:"last_sequence"` // of the stream
	Next         string `json:"next"`          // what to do now
}

// Run restores a backup, or the stream from the archive.
func (c *restoreCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	if err := c.checkStream(); err != nil {
		return err
	}
	if c.StreamFromArchive {
		if c.Only != "" || c.Overwrite {
			return errors.New("--stream-from-archive goes with neither --only nor --overwrite")
		}
		return c.refill(ctx)
	}
	if err := c.restore(ctx); err != nil {
		return fmt.Errorf("restore from %s: %w", c.From, err)
	}
	return c.report(ctx)
}

func (c *restoreCommand) restore(ctx context.Context) error {
	m, err := readManifest(c.From)
	if err != nil {
		return err
	}
	if m.Schema != c.Schema {
		return fmt.Errorf("the backup is of the schema %s, this program is set to %s: set LENSLEDGER_SCHEMA", m.Schema, c.Schema)
	}
	if c.Only != "stream" {
		if err := c.restoreArchive(ctx); err != nil {
			return err
		}
		slog.Info("archive restored", "position", m.Position)
	}
	if c.Only != "archive" {
		if err := c.restoreStream(ctx, m); err != nil {
			return err
		}
		slog.Info("stream restored", "last_sequence", m.LastSequence)
	}
	return nil
}

// fenceLeap takes the fence past every projector's of before: one that was never
// stopped must not find its own number again and write.
const fenceLeap = 1_000_000

func (c *restoreCommand) restoreArchive(ctx context.Context) (err error) {
	f, err := os.Open(filepath.Join(c.From, archiveFile))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := pg.RestoreDump(ctx, c.DatabaseURL, c.Schema, f, c.Overwrite); err != nil {
		if errors.Is(err, pg.ErrArchiveExists) {
			err = fmt.Errorf("%w; --overwrite replaces it", err)
		}
		return err
	}
	// A backup by an older program is brought up to date.
	if err := pg.Migrate(ctx, c.DatabaseURL, c.Schema, migrations.FS); err != nil {
		return err
	}
	pool, err := pg.Connect(ctx, c.DatabaseURL, c.Schema, 1)
	if err != nil {
		return err
	}
	defer pool.Close()
	if _, err := pool.Exec(ctx, "UPDATE stream_state SET fence = fence + $1", fenceLeap); err != nil {
		return fmt.Errorf("raise the fence: %w", err)
	}
	return nil
}

func (c *restoreCommand) restoreStream(ctx context.Context, m manifest) (err error) {
	about, err := os.ReadFile(filepath.Join(c.From, streamAboutFile))
	if err != nil {
		return err
	}
	f, err := os.Open(filepath.Join(c.From, streamFile))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	cfg := c.natsConfig()
	cfg.Replicas = c.StreamReplicas
	err = stream.RestoreSnapshot(ctx, stream.RestoreConfig{Config: cfg, Overwrite: c.Overwrite},
		stream.Snapshot{Epoch: m.Epoch, Last: m.LastSequence, Stream: about}, f)
	var exists *stream.ExistsError
	if errors.As(err, &exists) {
		err = fmt.Errorf("%w; --overwrite replaces it, --only archive leaves it", err)
	}
	return err
}

func (c *restoreCommand) natsConfig() stream.Config {
	return stream.Config{URL: c.NatsURL, CredentialsFile: c.NatsCreds, InboxPrefix: c.InboxPrefix, MaxBytes: c.MaxBytes,
		Name: "lensledger restore", Logger: slog.Default()}
}

// report looks at both and says what comes next.
func (c *restoreCommand) report(ctx context.Context) error {
	pool, err := pg.Connect(ctx, c.DatabaseURL, c.Schema, 2)
	if err != nil {
		return err
	}
	defer pool.Close()
	var r restored
	var position int64
	if err := pool.QueryRow(ctx, "SELECT epoch, position FROM stream_state").Scan(&r.Epoch, &position); err != nil {
		return fmt.Errorf("read the position: %w", err)
	}
	r.Position = uint64(position)
	cfg := c.natsConfig()
	cfg.MaxBytes = 0
	s, err := stream.Open(ctx, cfg)
	if errors.Is(err, stream.ErrMissing) {
		return fmt.Errorf("the archive stands at position %d: %w; restore the stream too, from a backup or with --stream-from-archive", r.Position, err)
	}
	if err != nil {
		return err
	}
	defer s.Close()
	info, err := s.Info(ctx)
	if err != nil {
		return err
	}
	r.LastSequence = info.Last
	switch {
	case r.Position > 0 && info.Epoch != r.Epoch:
		err = fmt.Errorf("archive and stream don't belong together: %w", &stream.EpochError{Got: info.Epoch, Want: r.Epoch})
		r.Next = "restore both from one backup"
	case r.LastSequence < r.Position:
		r.Next = "keep intake and publishers stopped and run lensledger restore --stream-from-archive: the stream ends before the archive"
	default:
		r.Next = "start lensledger project, which makes the read models and goes on from the position; then lensledger verify"
	}
	return errors.Join(json.NewEncoder(os.Stdout).Encode(r), err)
}

// refill fills the stream's missing end from the archive.
func (c *restoreCommand) refill(ctx context.Context) error {
	slog.Warn("no event may be published until this is done: intake and every publisher have to be stopped")
	pool, err := c.database(ctx)
	if err != nil {
		return err
	}
	defer pool.Close()
	cfg := c.natsConfig()
	cfg.Replicas = max(c.StreamReplicas, c.Replicas)
	if err := pool.QueryRow(ctx, "SELECT epoch FROM stream_state").Scan(&cfg.ExpectEpoch); err != nil {
		return fmt.Errorf("read the epoch: %w", err)
	}
	s, err := stream.OpenToRefill(ctx, cfg)
	if err != nil {
		return err
	}
	defer s.Close()
	done, err := projector.New(projector.Config{Pool: pool, Base: c.Schema, Stream: s}).Refill(ctx)
	if err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(done)
}
