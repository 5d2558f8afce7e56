package stream

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

func loadMessages(n int) func(context.Context, *Publisher) error {
	return func(ctx context.Context, p *Publisher) error {
		var out []Outgoing
		for i := range n {
			out = append(out, Outgoing{Subject: Subject("ehr", "DEP", "case", "booked"), MessageID: fmt.Sprint(i), Data: []byte("{}")})
		}
		for _, r := range p.PublishBatch(ctx, out) {
			if r.Err != nil {
				return r.Err
			}
		}
		return nil
	}
}

// A loaded log is one that Open takes on a server that syncs every write.
func TestLoadedLogIsServed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	if err := Load(t.Context(), dir, loadMessages(300)); err != nil {
		t.Fatal(err)
	}
	srv, err := StartServer(ServerConfig{StoreDir: dir, InProcessOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer srv.Close()
	s, err := Open(t.Context(), Config{Server: srv})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	info, err := s.Info(t.Context())
	if err != nil || info.Last != 300 || info.Messages != 300 {
		t.Errorf("loaded 300 messages, found %+v %v", info, err)
	}
	if err := Load(t.Context(), dir, loadMessages(1)); !errors.Is(err, ErrNotEmpty) {
		t.Errorf("loading over a log: %v", err)
	}
}

// Broken off, a load leaves nothing that could be taken for a log.
func TestBrokenLoadLeavesNoLog(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	broken := errors.New("broken off")
	err := Load(t.Context(), dir, func(ctx context.Context, p *Publisher) error {
		if err := loadMessages(10)(ctx, p); err != nil {
			return err
		}
		return broken
	})
	if !errors.Is(err, broken) {
		t.Fatal(err)
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a log is left: %v", err)
	}
}
