package stream_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events/stream/streamtest"
)

// What became of a damage. The last is never allowed: a reader that ends without an
// error must have been given every event that was acknowledged. Changed bytes can get
// past the server's own checksum, rarely; the comparison of the copies is for those.
const (
	healed   = "healed: every event is there as it was"
	atStart  = "refused at the start, by name"
	byReader = "named by the reader"
	noServer = "the server itself doesn't start"
	noAnswer = "the reader waits: nothing is handed over, readiness falls"
	byCopies = "changed bytes, found by the comparison alone"
	silent   = "events missing, and nothing said so"
)

// damage changes one stored file: a bit, its length, or its existence.
func damage(t *testing.T, chance *rand.Rand, dir string) (what, kind string) {
	t.Helper()
	var files []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for {
		path := files[chance.IntN(len(files))]
		if chance.IntN(3) == 0 { // the messages themselves are most of a store
			path = files[slices.IndexFunc(files, func(path string) bool { return filepath.Ext(path) == ".blk" })]
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		how := []string{"one bit flipped", "one bit flipped", "truncated", "deleted"}[chance.IntN(4)]
		switch {
		case how == "deleted":
			err = os.Remove(path)
		case len(text) == 0:
			continue
		case how == "truncated":
			to := chance.Int64N(int64(len(text)))
			err = os.Truncate(path, to)
			how = fmt.Sprintf("truncated to %d of %d", to, len(text))
		default:
			bit := chance.IntN(8 * len(text))
			text[bit/8] ^= 1 << (bit % 8)
			err = os.WriteFile(path, text, 0o600)
			how = fmt.Sprintf("bit %d of %d flipped", bit, 8*len(text))
		}
		if err != nil {
			t.Fatal(err)
		}
		kind = filepath.Ext(path) + " " + strings.Fields(how)[0]
		return strings.TrimPrefix(path, dir) + ": " + how, kind
	}
}

func flipInTheMiddle(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// A byte of an event's padding, which is most of it: nothing but a checksum can tell.
	text[bytes.Index(text[len(text)/2:], []byte(`invented`))+len(text)/2+20] ^= 1
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// classify starts a server on a damaged store and reads it as a projector would,
// from a checkpoint that knows the epoch and the last sequence.
func classify(t *testing.T, dir string, epoch string, ledger *streamtest.Ledger) (class, detail string) {
	t.Helper()
	server, err := streamtest.Launch(streamtest.Spec{StoreDir: dir, MaxFileBytes: 1 << 30})
	if err != nil {
		return noServer, err.Error()
	}
	defer server.Kill()
	cfg := configFor(server)
	cfg.MaxBytes, cfg.ExpectEpoch, cfg.MinLastSequence = 0, epoch, ledger.Last()
	ctx, end := context.WithTimeout(context.Background(), 30*time.Second)
	defer end()
	s, err := openPatiently(ctx, cfg)
	switch {
	case err != nil && isNamed(err):
		return atStart, err.Error()
	case err != nil:
		return noServer, err.Error()
	}
	defer s.Close()
	ctx, end = context.WithTimeout(context.Background(), 10*time.Second)
	defer end()
	d, err := compare(ctx, t, s, ledger)
	switch {
	case len(d.changed) > 0:
		return byCopies, fmt.Sprintf("%s, %v", d, err)
	case err != nil && isNamed(err):
		return byReader, err.Error()
	case err != nil && errors.Is(err, context.DeadlineExceeded):
		return noAnswer, err.Error()
	case err != nil:
		t.Errorf("no name: %v", err)
		return byReader, err.Error()
	case len(d.lost) > 0:
		return silent, d.String()
	}
	return healed, ""
}

// A bit flipped in a stored file, a file cut short or gone, while the server is
// down: whatever the server makes of it, no reader is handed fewer events without
// being told, nor other bytes without the comparison with the other copy finding it.
func TestADamagedStoreIsNoticed(t *testing.T) {
	t.Parallel()
	chance := streamtest.Random(t)
	ledger := streamtest.NewLedger(t)
	// One store that was closed in order, and one of a killed server.
	closed, killed := t.TempDir(), t.TempDir()
	server := streamtest.Start(t, streamtest.Spec{StoreDir: closed, MaxFileBytes: 1 << 30})
	cfg := configFor(server)
	cfg.MaxBytes = 1 << 20 // small blocks, and several of them
	s := openSoon(t, cfg)
	work := startLoad(t, s.Publisher(), ledger, "damage", 2, 300)
	work.reach(1500)
	work.stop()
	epoch := s.Epoch()
	if err := os.CopyFS(filepath.Join(killed, "store"), os.DirFS(closed)); err != nil {
		t.Fatal(err)
	}
	server.Stop(t)
	counts, byKind := map[string]int{}, map[string]map[string]int{}
	for round := range streamtest.Rounds(t, 12, 25) {
		from := []string{closed, filepath.Join(killed, "store")}[chance.IntN(2)]
		if round == 0 {
			from = closed
		}
		dir := filepath.Join(t.TempDir(), "store")
		if err := os.CopyFS(dir, os.DirFS(from)); err != nil {
			t.Fatal(err)
		}
		what, kind := "a bit in the middle of the messages flipped", ".blk bit"
		if round == 0 {
			flipInTheMiddle(t, filepath.Join(dir, "jetstream/REG/streams/CASES/msgs/1.blk"))
		} else {
			what, kind = damage(t, chance, dir)
		}
		class, detail := classify(t, dir, epoch, ledger)
		if class == noServer || class == noAnswer || class == byCopies || class == silent {
			t.Logf("%s: %s (%s)", what, class, detail)
		}
		counts[class]++
		if byKind[kind] == nil {
			byKind[kind] = map[string]int{}
		}
		byKind[kind][class]++
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
	}
	for kind, n := range byKind {
		t.Logf("%s: %v", kind, n)
	}
	t.Logf("%d acknowledged; %v", ledger.Len(), counts)
	if n := counts[silent]; n > 0 {
		t.Errorf("%d damages were read past as if nothing had happened", n)
	}
}
