package stream

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bbolterrors "go.etcd.io/bbolt/errors"
)

// A spool's file has three buckets: the events that wait, in the order in which
// they were taken; those refused; and the sums of both, which show when one of
// them is missing.
var (
	bucketWaiting = []byte("waiting")
	bucketRefused = []byte("refused")
	bucketSums    = []byte("sums")
	keySums       = []byte("sums")
)

// lockWait is how long a process that is just ending may still hold a file.
const lockWait = 2 * time.Second

// spooled is one event as the file holds it.
type spooled struct {
	Outgoing
	keptAt time.Time
	again  string // behind the message id, once the log falsely claimed to have it
	reason string // of a refused event
	key    []byte
}

// id is the message id to publish under.
func (e spooled) id() string {
	if e.again == "" {
		return e.MessageID
	}
	return e.MessageID + "/" + e.again
}

// encode writes the event behind the hash of its key and itself.
func (e spooled) encode() []byte {
	b := make([]byte, sha256.Size, sha256.Size+256+len(e.Data))
	text := func(s string) { b = append(binary.AppendUvarint(b, uint64(len(s))), s...) }
	text(e.Subject)
	text(e.MessageID)
	text(e.again)
	text(e.reason)
	b = binary.AppendVarint(b, e.keptAt.UnixNano())
	b = binary.AppendUvarint(b, uint64(len(e.Header)))
	for _, name := range slices.Sorted(maps.Keys(e.Header)) {
		text(name)
		b = binary.AppendUvarint(b, uint64(len(e.Header[name])))
		for _, value := range e.Header[name] {
			text(value)
		}
	}
	b = append(b, e.Data...)
	sum := spooledHash(e.key, b[sha256.Size:])
	copy(b, sum[:])
	return b
}

func spooledHash(key, body []byte) [sha256.Size]byte {
	return sha256.Sum256(append(slices.Clone(key), body...))
}

var errSpooled = errors.New("an event doesn't have the hash it was written with")

// decodeSpooled reads an event and checks its hash. What it gives doesn't point
// into the file.
func decodeSpooled(key, value []byte) (spooled, error) {
	if len(value) < sha256.Size {
		return spooled{}, errSpooled
	}
	if sum := spooledHash(key, value[sha256.Size:]); !bytes.Equal(sum[:], value[:sha256.Size]) {
		return spooled{}, errSpooled
	}
	// From here on the bytes are those that encode wrote.
	rest := bytes.Clone(value[sha256.Size:])
	number := func() uint64 {
		n, size := binary.Uvarint(rest)
		rest = rest[size:]
		return n
	}
	text := func() string {
		n := number()
		s := string(rest[:n])
		rest = rest[n:]
		return s
	}
	e := spooled{key: bytes.Clone(key)}
	e.Subject, e.MessageID, e.again, e.reason = text(), text(), text(), text()
	nanos, size := binary.Varint(rest)
	rest = rest[size:]
	e.keptAt = time.Unix(0, nanos).UTC()
	if names := number(); names > 0 {
		e.Header = make(map[string][]string, names)
		for range names {
			name := text()
			values := make([]string, number())
			for i := range values {
				values[i] = text()
			}
			e.Header[name] = values
		}
	}
	e.Data = rest
	return e, nil
}

// sums say how many events the file must hold, and sum up their hashes.
type sums struct {
	waiting, refused           uint64
	waitingBytes, refusedBytes uint64
	hashes                     uint64 // modulo 2^64
}

func (s sums) bytes() int64 { return int64(s.waitingBytes + s.refusedBytes) }

func (s *sums) count(refused bool, value []byte, sign uint64) {
	n, size := &s.waiting, &s.waitingBytes
	if refused {
		n, size = &s.refused, &s.refusedBytes
	}
	*n += sign
	*size += sign * uint64(len(value))
	s.hashes += sign * binary.BigEndian.Uint64(value)
}

const minusOne = ^uint64(0) // modulo 2^64

// records are the buckets within one transaction.
type records struct {
	waiting, refused, own *bbolt.Bucket
	sums                  sums
}

var errNoSpool = errors.New("it lacks what a spool holds")

func openRecords(tx *bbolt.Tx) (*records, error) {
	f := &records{waiting: tx.Bucket(bucketWaiting), refused: tx.Bucket(bucketRefused), own: tx.Bucket(bucketSums)}
	if f.waiting == nil || f.refused == nil || f.own == nil {
		return nil, errNoSpool
	}
	value := f.own.Get(keySums)
	if len(value) != 8*len(f.sums.fields()) {
		return nil, errNoSpool
	}
	for i, n := range f.sums.fields() {
		*n = binary.BigEndian.Uint64(value[8*i:])
	}
	return f, nil
}

func (s *sums) fields() []*uint64 {
	return []*uint64{&s.waiting, &s.refused, &s.waitingBytes, &s.refusedBytes, &s.hashes}
}

func (f *records) save() error {
	var b []byte
	for _, n := range f.sums.fields() {
		b = binary.BigEndian.AppendUint64(b, *n)
	}
	return f.own.Put(keySums, b)
}

// add puts an event behind those that wait.
func (f *records) add(e spooled) error {
	n, err := f.waiting.NextSequence()
	if err != nil {
		return err
	}
	e.key = binary.BigEndian.AppendUint64(nil, n)
	return f.put(f.waiting, e)
}

// put writes an event under its key.
func (f *records) put(into *bbolt.Bucket, e spooled) error {
	value := e.encode()
	f.sums.count(into == f.refused, value, 1)
	return into.Put(e.key, value)
}

// remove takes an event out.
func (f *records) remove(from *bbolt.Bucket, key []byte) error {
	value := from.Get(key)
	if value == nil {
		return nil
	}
	f.sums.count(from == f.refused, value, minusOne)
	return from.Delete(key)
}

// openSpoolFile opens a spool's file, or makes one, after it was looked through:
// a library that maps a cut file into memory would end the process.
func openSpoolFile(path string) (db *bbolt.DB, err error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return makeSpoolFile(path, func(*bbolt.DB) error { return nil })
	}
	err = onlyErrors(func() error { return checkSpoolFile(path) })
	if err == nil {
		err = onlyErrors(func() (err error) {
			db, err = bbolt.Open(path, 0o600, spoolOptions(false))
			return err
		})
	}
	if err != nil && !isOfSystem(err) {
		return nil, &SpoolDamagedError{File: path, Why: err.Error()}
	}
	return db, err
}

func spoolOptions(readOnly bool) *bbolt.Options {
	return &bbolt.Options{Timeout: lockWait, ReadOnly: readOnly, FreelistType: bbolt.FreelistMapType}
}

// isOfSystem tells that a file couldn't be read at all from that it holds
// something wrong.
func isOfSystem(err error) bool {
	var path *fs.PathError
	return errors.As(err, &path) || errors.Is(err, bbolterrors.ErrTimeout)
}

// onlyErrors makes an error of a panic, and of a read beyond the end of a file.
func onlyErrors(do func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("its pages can't be read: %v", cause)
		}
	}()
	return do()
}

// checkSpoolFile reads everything once: that the file is as long as it must be,
// that no event is missing or changed, that no page is used twice.
func checkSpoolFile(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if info.Size() == 0 {
		return errors.New("it is empty, which no spool is") // the library would make a new one of it
	}
	if err := checkHeads(path); err != nil {
		return err
	}
	db, err := bbolt.Open(path, 0o600, spoolOptions(true))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }() // only read
	return db.View(func(tx *bbolt.Tx) error {
		if info.Size() < tx.Size() {
			return fmt.Errorf("it has %d bytes and must have %d", info.Size(), tx.Size())
		}
		f, err := openRecords(tx)
		if err != nil {
			return err
		}
		var found sums
		for _, bucket := range []*bbolt.Bucket{f.waiting, f.refused} {
			err := bucket.ForEach(func(key, value []byte) error {
				if _, err := decodeSpooled(key, value); err != nil {
					return err
				}
				found.count(bucket == f.refused, value, 1)
				return nil
			})
			if err != nil {
				return err
			}
		}
		if found != f.sums {
			return fmt.Errorf("it holds %d and %d events and must hold %d and %d, or others", found.waiting, found.refused, f.sums.waiting, f.sums.refused)
		}
		var wrong error
		for err := range tx.Check() {
			wrong = err
		}
		return wrong
	})
}

// checkHeads looks at the two pages at the file's beginning, which name the last
// change in turn. Of a broken one the library takes the other and says nothing:
// the last change would be lost.
func checkHeads(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()   // only read
	const pageHeader, content = 16, 56 // of bbolt's pages, before the checksum
	offset := int64(0)
	for range 2 {
		head := make([]byte, content+8)
		if _, err := f.ReadAt(head, offset+pageHeader); err != nil {
			return fmt.Errorf("its beginning is cut off: %w", err)
		}
		sum := fnv.New64a()
		sum.Write(head[:content])
		if sum.Sum64() != binary.NativeEndian.Uint64(head[content:]) {
			return errors.New("one of its two first pages is broken, so that the last change may be missing")
		}
		offset = int64(binary.NativeEndian.Uint32(head[8:])) // the page size
	}
	return nil
}

// makeSpoolFile makes a spool's file beside path and puts it in the place of
// path: at each moment there is the old one or a whole new one.
func makeSpoolFile(path string, fill func(*bbolt.DB) error) (*bbolt.DB, error) {
	fresh := path + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	db, err := bbolt.Open(fresh, 0o600, spoolOptions(false))
	if err != nil {
		return nil, err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		for _, name := range [][]byte{bucketWaiting, bucketRefused, bucketSums} {
			if _, err := tx.CreateBucket(name); err != nil {
				return err
			}
		}
		f := records{own: tx.Bucket(bucketSums)}
		return f.save()
	})
	if err == nil {
		err = fill(db)
	}
	if err == nil {
		err = os.Rename(fresh, path)
	}
	if err == nil {
		err = syncFile(filepath.Dir(path))
	}
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// lockSpool takes a folder for this process, until the file is closed or the
// process ends, in whatever way.
func lockSpool(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	for begun := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return f, nil
		case !errors.Is(err, syscall.EWOULDBLOCK):
			return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), f.Close())
		case time.Since(begun) > lockWait:
			return nil, errors.Join(ErrSpoolHeld, f.Close())
		}
	}
}

// onDisk names the errors of a full disk.
func onDisk(err error) error {
	for _, full := range []error{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG} {
		if errors.Is(err, full) {
			return fmt.Errorf("%w: %w", ErrSpoolDisk, err)
		}
	}
	return err
}
