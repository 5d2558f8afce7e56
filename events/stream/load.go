package stream

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// ErrNotEmpty means that a log is there already, so that nothing is loaded.
var ErrNotEmpty = errors.New("the folder holds a log already")

// Load makes a new log in a folder that doesn't exist yet and fills it by fill,
// for events that can all be made again: an invented scenario. Single writes are
// not synced, which a slow disk would take minutes for; the whole log is, once,
// before it takes its place. Broken off at any moment, it leaves no log.
func Load(ctx context.Context, storeDir string, fill func(context.Context, *Publisher) error) (err error) {
	if _, err := os.Stat(storeDir); !errors.Is(err, fs.ErrNotExist) {
		return errors.Join(ErrNotEmpty, err)
	}
	loading := storeDir + ".loading"
	if err := os.RemoveAll(loading); err != nil {
		return fmt.Errorf("load a log: %w", err)
	}
	if err := fillLog(ctx, loading, fill); err != nil {
		return errors.Join(fmt.Errorf("load a log: %w", err), os.RemoveAll(loading))
	}
	if err := syncTree(loading); err != nil {
		return fmt.Errorf("load a log: %w", err)
	}
	if err := os.Rename(loading, storeDir); err != nil {
		return fmt.Errorf("load a log: %w", err)
	}
	return syncFile(filepath.Dir(storeDir))
}

func fillLog(ctx context.Context, dir string, fill func(context.Context, *Publisher) error) error {
	server, err := StartServer(ServerConfig{StoreDir: dir, InProcessOnly: true, lazySync: true})
	if err != nil {
		return err
	}
	defer server.Close()
	s, err := Open(ctx, Config{Server: server, ManageStream: true, Name: "load", InFlight: 4096, loading: true})
	if err != nil {
		return err
	}
	defer s.Close()
	return fill(ctx, s.Publisher())
}

// syncTree puts everything in a folder on the disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return syncFile(path)
	})
}

func syncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
