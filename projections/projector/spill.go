package projector

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"os"

	"github.com/klauspost/compress/s2"
)

// spill parts archived events by case in a temporary file: all events of a group
// are in one part, in sequence. A part is written in compressed blocks, so that it
// takes a fraction of the archive's space, and read back whole.
type spill struct {
	file  *os.File
	end   int64 // of what is written
	seed  maphash.Seed
	parts []part
	block int // bytes gathered before a block is written
	space []byte
}

// part is what some groups' events are gathered in, and where its blocks are.
type part struct {
	gathered []byte
	blocks   []block
	size     int // uncompressed bytes of the blocks
}

// block is a piece of the file.
type block struct {
	at     int64
	length int
}

const (
	// gatherBytes bounds what all parts gather together before they write.
	gatherBytes = 32 << 20
	// Bytes of a block, uncompressed: more compresses no better, less is too slow.
	mostBlock, leastBlock = 64 << 10, 4 << 10
)

func newSpill(parts int) (*spill, error) {
	f, err := os.CreateTemp("", "lensledger-rebuild-")
	if err != nil {
		return nil, fmt.Errorf("make a file for the rebuild: %w", err)
	}
	// The name goes at once, where the system lets it: a kill leaves nothing behind.
	_ = os.Remove(f.Name())
	return &spill{file: f, seed: maphash.MakeSeed(), parts: make([]part, parts),
		block: min(max(gatherBytes/parts, leastBlock), mostBlock)}, nil
}

func (s *spill) count() int { return len(s.parts) }

// add files an event under its group's root. Events of a group come in sequence.
func (s *spill) add(root string, r logRow) error {
	headers := []byte(nil)
	if len(r.headers) > 0 {
		var err error
		if headers, err = json.Marshal(r.headers); err != nil {
			return err
		}
	}
	p := &s.parts[maphash.String(s.seed, root)%uint64(len(s.parts))]
	if root == r.subject {
		root = "" // stands for the subject
	}
	b := binary.AppendUvarint(p.gathered, uint64(r.sequence))
	b = binary.AppendUvarint(b, r.conflictAt)
	b = binary.AppendUvarint(b, uint64(len(root)))
	b = append(b, root...)
	b = binary.AppendUvarint(b, uint64(len(r.subject)))
	b = append(b, r.subject...)
	for _, field := range [][]byte{r.hash, headers, r.body} {
		b = binary.AppendUvarint(b, uint64(len(field)))
		b = append(b, field...)
	}
	p.gathered = b
	if len(b) < s.block {
		return nil
	}
	return s.write(p)
}

// write puts what a part has gathered into the file.
func (s *spill) write(p *part) error {
	s.space = s2.Encode(s.space[:cap(s.space)], p.gathered)
	if _, err := s.file.WriteAt(s.space, s.end); err != nil {
		return fmt.Errorf("write part of the rebuild: %w", err)
	}
	p.blocks = append(p.blocks, block{s.end, len(s.space)})
	s.end += int64(len(s.space))
	p.size += len(p.gathered)
	p.gathered = p.gathered[:0]
	return nil
}

// finish writes what is left, after the last event and before the first read.
func (s *spill) finish() error {
	for i := range s.parts {
		p := &s.parts[i]
		if len(p.gathered) > 0 {
			if err := s.write(p); err != nil {
				return err
			}
		}
		p.gathered = nil
	}
	s.space = nil
	return nil
}

// read gives a part's groups in the order in which they first appear. Their bytes
// are pieces of one slice. Several may read at once.
func (s *spill) read(i int) ([][]logRow, error) {
	p := &s.parts[i]
	all := make([]byte, 0, p.size)
	var packed []byte
	for _, b := range p.blocks {
		if cap(packed) < b.length {
			packed = make([]byte, b.length)
		}
		packed = packed[:b.length]
		if _, err := s.file.ReadAt(packed, b.at); err != nil {
			return nil, fmt.Errorf("read part of the rebuild: %w", err)
		}
		n, err := s2.DecodedLen(packed)
		if err != nil || n > p.size-len(all) {
			return nil, errSpill
		}
		if _, err := s2.Decode(all[len(all):len(all)+n], packed); err != nil {
			return nil, fmt.Errorf("read part of the rebuild: %w", err)
		}
		all = all[:len(all)+n]
	}
	index := map[string]int{}
	var groups [][]logRow
	for in := (frames{left: all}); len(in.left) > 0; {
		r := logRow{sequence: int64(in.number()), conflictAt: in.number()}
		root, subject := in.field(), in.field()
		r.hash = in.field()
		headers := in.field()
		r.body = in.field()
		if in.broken {
			return nil, errSpill
		}
		r.subject = string(subject)
		if len(root) == 0 {
			root = subject
		}
		if len(headers) > 0 {
			if err := json.Unmarshal(headers, &r.headers); err != nil {
				return nil, fmt.Errorf("read part of the rebuild: %w", err)
			}
		}
		g, seen := index[string(root)]
		if !seen {
			g = len(groups)
			index[string(root)], groups = g, append(groups, nil)
		}
		groups[g] = append(groups[g], r)
	}
	return groups, nil
}

var errSpill = errors.New("read part of the rebuild: it isn't what was written")

// frames reads back what add wrote.
type frames struct {
	left   []byte
	broken bool
}

func (f *frames) number() uint64 {
	n, size := binary.Uvarint(f.left)
	if size <= 0 {
		f.broken, f.left = true, nil
		return 0
	}
	f.left = f.left[size:]
	return n
}

func (f *frames) field() []byte {
	n := f.number()
	if n > uint64(len(f.left)) {
		f.broken, f.left = true, nil
		return nil
	}
	field := f.left[:n:n]
	f.left = f.left[n:]
	return field
}

// Close removes the file.
func (s *spill) Close() {
	_ = s.file.Close()
	_ = os.Remove(s.file.Name()) // where it couldn't go while open
}
