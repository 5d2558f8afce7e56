package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream"
	"lensledger/projections/pg"
)

type backupCommand struct {
	servers
	To string `required:"" help:"Folder to write the backup into: empty, or made here."`
}

// The files of a backup. The manifest comes last: a folder without it is no backup.
const (
	manifestFile    = "manifest.json"
	archiveFile     = "archive.dump"    // pg_dump's custom format
	streamFile      = "stream.snapshot" // the server's own format
	streamAboutFile = "stream.json"     // configuration and state of the stream
)

// manifestFormat is raised when a backup of before can't be read as it is.
const manifestFormat = 1

// manifest says what a backup holds.
type manifest struct {
	Format       int          `json:"format"`
	MadeAt       time.Time    `json:"made_at"`
	Schema       string       `json:"schema"`
	Epoch        string       `json:"epoch"`
	Position     uint64       `json:"position"`      // of the archive
	LastSequence uint64       `json:"last_sequence"` // of the stream; never before the position
	Messages     uint64       `json:"messages"`
	Program      string       `json:"program"`
	Postgres     pg.Dumped    `json:"postgres"`
	Files        []backedFile `json:"files"`
}

// backedFile is one file of a backup.
type backedFile struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Run writes a backup: the archive first and then the stream, so that the stream of
// one backup is never the older.
func (c *backupCommand) Run(ctx context.Context) error {
	logTo(slog.LevelInfo)
	if err := c.checkStream(); err != nil {
		return err
	}
	if err := makeEmpty(c.To); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	began := time.Now()
	m, err := c.write(ctx)
	if err != nil {
		return fmt.Errorf("backup into %s, which is none without %s: %w", c.To, manifestFile, err)
	}
	slog.Info("backup written", "to", c.To, "position", m.Position, "last_sequence", m.LastSequence, "took", time.Since(began).Round(time.Millisecond))
	return json.NewEncoder(os.Stdout).Encode(m)
}

// makeEmpty makes a folder that nobody else reads, and refuses one with anything in it.
func makeEmpty(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err == nil && len(entries) > 0 {
		err = fmt.Errorf("%s isn't empty: give each backup a folder of its own", dir)
	}
	return err
}

func (c *backupCommand) write(ctx context.Context) (manifest, error) {
	m := manifest{Format: manifestFormat, MadeAt: time.Now().UTC().Truncate(time.Second), Schema: c.Schema, Program: programVersion()}
	s, err := stream.Open(ctx, stream.Config{URL: c.NatsURL, CredentialsFile: c.NatsCreds, InboxPrefix: c.InboxPrefix,
		Name: "lensledger backup", Logger: slog.Default()})
	if err != nil {
		return m, err
	}
	defer s.Close()
	if err := m.write(c.To, archiveFile, func(w io.Writer) (err error) {
		m.Postgres, err = pg.Dump(ctx, c.DatabaseURL, c.Schema, w, func(tx pgx.Tx) error {
			var position int64
			err := tx.QueryRow(ctx, "SELECT epoch, position FROM stream_state").Scan(&m.Epoch, &position)
			m.Position = uint64(position)
			return err
		})
		return err
	}); err != nil {
		return m, err
	}
	if m.Position > 0 && m.Epoch != s.Epoch() {
		return m, &stream.EpochError{Got: s.Epoch(), Want: m.Epoch}
	}
	var snap stream.Snapshot
	if err := m.write(c.To, streamFile, func(w io.Writer) (err error) {
		snap, err = s.Snapshot(ctx, w)
		return err
	}); err != nil {
		return m, err
	}
	m.Epoch, m.LastSequence, m.Messages = snap.Epoch, snap.Last, snap.Messages
	if m.LastSequence < m.Position {
		return m, &stream.BehindError{Last: m.LastSequence, Checkpoint: m.Position}
	}
	if err := m.write(c.To, streamAboutFile, func(w io.Writer) error {
		_, err := w.Write(snap.Stream)
		return err
	}); err != nil {
		return m, err
	}
	return m, m.finish(c.To)
}

// write makes one file, on disk when it returns, and lists it.
func (m *manifest) write(dir, name string, fill func(io.Writer) error) (err error) {
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	sum := &counted{hash: sha256.New()}
	if err := fill(io.MultiWriter(f, sum)); err != nil {
		return err
	}
	m.Files = append(m.Files, backedFile{Name: name, Bytes: sum.bytes, SHA256: hex.EncodeToString(sum.hash.Sum(nil))})
	return f.Sync()
}

// counted hashes and counts what is written.
type counted struct {
	hash  hash.Hash
	bytes int64
}

func (c *counted) Write(p []byte) (int, error) {
	c.bytes += int64(len(p))
	return c.hash.Write(p)
}

// finish puts the manifest into its place as a whole, after everything else is on
// disk.
func (m *manifest) finish(dir string) error {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	unfinished := filepath.Join(dir, manifestFile+".unfinished")
	f, err := os.OpenFile(unfinished, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := syncFolder(dir); err != nil {
		return err
	}
	if err := os.Rename(unfinished, filepath.Join(dir, manifestFile)); err != nil {
		return err
	}
	return syncFolder(dir)
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// readManifest reads a backup's manifest and holds every file against it.
func readManifest(dir string) (manifest, error) {
	var m manifest
	text, err := os.ReadFile(filepath.Join(dir, manifestFile))
	if errors.Is(err, os.ErrNotExist) {
		return m, fmt.Errorf("%s has no %s: it is no backup, or one that was broken off; take another", dir, manifestFile)
	}
	if err != nil {
		return m, err
	}
	if err := json.Unmarshal(text, &m); err != nil {
		return m, fmt.Errorf("%s: %w", manifestFile, err)
	}
	if m.Format != manifestFormat {
		return m, fmt.Errorf("%s is of format %d, this program reads %d", manifestFile, m.Format, manifestFormat)
	}
	listed := map[string]bool{}
	for _, f := range m.Files {
		listed[f.Name] = true
		if err := f.check(dir); err != nil {
			return m, fmt.Errorf("the backup is damaged: %w", err)
		}
	}
	for _, name := range []string{archiveFile, streamFile, streamAboutFile} {
		if !listed[name] {
			return m, fmt.Errorf("%s doesn't list %s", manifestFile, name)
		}
	}
	return m, nil
}

func (f backedFile) check(dir string) (err error) {
	if f.Name != filepath.Base(f.Name) {
		return fmt.Errorf("%q is no file of a backup", f.Name)
	}
	file, err := os.Open(filepath.Join(dir, f.Name))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	sum := &counted{hash: sha256.New()}
	if _, err := io.Copy(sum, file); err != nil {
		return fmt.Errorf("%s: %w", f.Name, err)
	}
	switch got := hex.EncodeToString(sum.hash.Sum(nil)); {
	case sum.bytes != f.Bytes:
		return fmt.Errorf("%s has %d bytes, the manifest says %d", f.Name, sum.bytes, f.Bytes)
	case got != f.SHA256:
		return fmt.Errorf("%s has sha256 %s, the manifest says %s", f.Name, got, f.SHA256)
	}
	return nil
}

// programVersion is this program's own.
func programVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	version := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			version += " " + s.Value
		}
	}
	return version
}
