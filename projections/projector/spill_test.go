package projector

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"lensledger/events"
)

// Whatever is spilled comes back once, a group in one part and in sequence, and
// nothing stays on disk.
func TestSpill(t *testing.T) {
	const seed = 11
	t.Setenv("TMPDIR", t.TempDir())
	dice := rand.New(rand.NewPCG(seed, 1))
	s, err := newSpill(7)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]logRow{} // by root
	for n := range 20_000 {
		root := fmt.Sprintf("K-%d", dice.IntN(300))
		r := logRow{sequence: int64(n + 1), hash: fmt.Appendf(nil, "%032d", dice.Uint64()), subject: root,
			body: bytes.Repeat([]byte{byte(n)}, dice.IntN(400))}
		switch dice.IntN(10) {
		case 0:
			r.subject = root + "-joined"
		case 1:
			r.headers = events.Header{"content-type": {"application/json"}}
		case 2:
			r.conflictAt = dice.Uint64()
		}
		if err := s.add(root, r); err != nil {
			t.Fatal(err)
		}
		want[root] = append(want[root], r)
	}
	if err := s.finish(); err != nil {
		t.Fatal(err)
	}
	blocks := 0
	for i := range s.count() {
		blocks += len(s.parts[i].blocks)
		groups, err := s.read(i)
		if err != nil {
			t.Fatal(err)
		}
		for _, got := range groups {
			root := got[0].subject
			if len(root) > 7 && root[len(root)-7:] == "-joined" {
				root = root[:len(root)-7]
			}
			if fmt.Sprint(got) != fmt.Sprint(want[root]) {
				t.Fatalf("seed %d: group %s came back otherwise", seed, root)
			}
			delete(want, root)
		}
	}
	if len(want) > 0 || blocks <= s.count() {
		t.Errorf("%d groups didn't come back; %d blocks in %d parts, more are wanted", len(want), blocks, s.count())
	}
	if _, err := s.file.WriteAt([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, s.parts[3].blocks[0].at); err != nil {
		t.Fatal(err)
	}
	if _, err := s.read(3); err == nil {
		t.Error("a damaged file is read without an error")
	}
	s.Close()
	if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
		t.Errorf("left on disk: %v, %v", left, err)
	}
	short := frames{left: []byte{200}}
	if short.field(); !short.broken {
		t.Error("a frame cut short isn't noticed")
	}
}
