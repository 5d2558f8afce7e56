package streamtest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// Entry is one acknowledged event.
type Entry struct {
	ID       string
	Sequence uint64
	Hash     string // hex sha256 of its bytes
}

// Ledger is what publishers were told is stored: a file on another disk than the
// one that a test breaks, so that the two can be compared as sets.
type Ledger struct {
	mu   sync.Mutex
	path string
	file *os.File
	n    int
	last uint64
}

// NewLedger makes an empty ledger.
func NewLedger(t testing.TB) *Ledger {
	t.Helper()
	path := filepath.Join(t.TempDir(), "acknowledged")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = file.Close() })
	return &Ledger{path: path, file: file}
}

// Add notes an acknowledgement.
func (l *Ledger) Add(id string, sequence uint64, data []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.n++
	l.last = max(l.last, sequence)
	_, err := fmt.Fprintf(l.file, "%s %d %s\n", id, sequence, Hash(data))
	return err
}

// Len is how many acknowledgements there are, and Last the highest sequence among
// them.
func (l *Ledger) Len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.n
}

// Last is the highest sequence that was acknowledged.
func (l *Ledger) Last() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.last
}

// Entries reads the ledger back.
func (l *Ledger) Entries(t testing.TB) []Entry {
	t.Helper()
	text, err := os.ReadFile(l.path)
	if err != nil {
		t.Fatal(err)
	}
	var all []Entry
	for line := range strings.Lines(string(text)) {
		var e Entry
		if _, err := fmt.Sscan(line, &e.ID, &e.Sequence, &e.Hash); err != nil {
			t.Fatalf("ledger: %q: %v", line, err)
		}
		all = append(all, e)
	}
	return all
}

// Hash is how the ledger tells one content from another.
func Hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
