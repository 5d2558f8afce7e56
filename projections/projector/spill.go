package projector

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"os"

	"lensledger/events"
)

// spill parts archived events by case into temporary files: all events of a group
// are in one file, in sequence.
type spill struct {
	dir   string
	seed  maphash.Seed
	files []*os.File
	bufs  []*bufio.Writer
	frame []byte
}

// maxParts bounds the open files; a part grows with the log beyond it.
const maxParts = 400

func newSpill(parts int) (*spill, error) {
	dir, err := os.MkdirTemp("", "lensledger-rebuild-")
	if err != nil {
		return nil, fmt.Errorf("make a folder for the rebuild: %w", err)
	}
	s := &spill{dir: dir, seed: maphash.MakeSeed()}
	for range min(parts, maxParts) {
		f, err := os.CreateTemp(dir, "part-")
		if err != nil {
			s.Close()
			return nil, fmt.Errorf("make a part of the rebuild: %w", err)
		}
		s.files = append(s.files, f)
		s.bufs = append(s.bufs, bufio.NewWriterSize(f, 32<<10))
	}
	return s, nil
}

func (s *spill) count() int { return len(s.files) }

// add files an event under its group's root.
func (s *spill) add(root string, r logRow) error {
	headers := []byte(nil)
	if len(r.headers) > 0 {
		var err error
		if headers, err = json.Marshal(r.headers); err != nil {
			return err
		}
	}
	b := binary.AppendUvarint(s.frame[:0], uint64(r.sequence))
	b = binary.AppendUvarint(b, r.conflictAt)
	for _, field := range [][]byte{[]byte(root), []byte(r.subject), r.hash, headers, r.body} {
		b = binary.AppendUvarint(b, uint64(len(field)))
		b = append(b, field...)
	}
	s.frame = b
	_, err := s.bufs[maphash.String(s.seed, root)%uint64(len(s.bufs))].Write(b)
	return err
}

// read gives a part's groups in the order in which they first appear.
func (s *spill) read(i int) ([][]logRow, error) {
	if err := s.bufs[i].Flush(); err != nil {
		return nil, fmt.Errorf("write part of the rebuild: %w", err)
	}
	if _, err := s.files[i].Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	in := bufio.NewReaderSize(s.files[i], 256<<10)
	index := map[string]int{}
	var groups [][]logRow
	for {
		sequence, err := binary.ReadUvarint(in)
		if errors.Is(err, io.EOF) {
			return groups, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read part of the rebuild: %w", err)
		}
		conflictAt, err := binary.ReadUvarint(in)
		if err != nil {
			return nil, fmt.Errorf("read part of the rebuild: %w", err)
		}
		var fields [5][]byte
		for f := range fields {
			n, err := binary.ReadUvarint(in)
			if err != nil {
				return nil, fmt.Errorf("read part of the rebuild: %w", err)
			}
			fields[f] = make([]byte, n)
			if _, err := io.ReadFull(in, fields[f]); err != nil {
				return nil, fmt.Errorf("read part of the rebuild: %w", err)
			}
		}
		r := logRow{sequence: int64(sequence), conflictAt: conflictAt, subject: string(fields[1]), hash: fields[2], body: fields[4]}
		if len(fields[3]) > 0 {
			var headers events.Header
			if err := json.Unmarshal(fields[3], &headers); err != nil {
				return nil, fmt.Errorf("read part of the rebuild: %w", err)
			}
			r.headers = headers
		}
		root := string(fields[0])
		g, seen := index[root]
		if !seen {
			g = len(groups)
			index[root], groups = g, append(groups, nil)
		}
		groups[g] = append(groups[g], r)
	}
}

// Close removes the files.
func (s *spill) Close() {
	for _, f := range s.files {
		_ = f.Close() // it goes with the folder
	}
	_ = os.RemoveAll(s.dir)
}
