package streamtest

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unsafe"
)

// Disk is a file system of its own: an ext4 in a file, behind a loop device.
type Disk struct {
	Dir   string
	loop  string
	image string
}

// NewDisk makes a disk that can lose its power. That takes root; elsewhere the
// test is left out and says so.
func NewDisk(t testing.TB, bytes int64) *Disk {
	t.Helper()
	needMounts(t)
	for _, tool := range []string{"mkfs.ext4", "losetup"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("LEFT OUT, NOT TESTED HERE: a power cut needs %s, which this machine doesn't have", tool)
		}
	}
	dir := t.TempDir()
	d := &Disk{Dir: filepath.Join(dir, "disk"), image: filepath.Join(dir, "image")}
	if err := os.Mkdir(d.Dir, 0o755); err != nil {
		t.Fatal(err)
	}
	file, err := os.Create(d.image)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(file.Truncate(bytes), file.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := run("mkfs.ext4", "-q", d.image); err != nil {
		t.Fatal(err)
	}
	if d.loop, err = run("losetup", "-f", "--show", d.image); err != nil {
		t.Skipf("LEFT OUT, NOT TESTED HERE: a power cut needs a loop device: %v", err)
	}
	t.Cleanup(func() {
		if err := d.unmount(); err != nil {
			t.Error(err)
		}
		if _, err := run("losetup", "-d", d.loop); err != nil {
			t.Error(err)
		}
	})
	if err := d.mount(); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *Disk) mount() error {
	_, err := run("mount", "-t", "ext4", d.loop, d.Dir)
	return err
}

// unmount does nothing to a disk that isn't mounted. A process that was just
// killed may hold it for a moment yet.
func (d *Disk) unmount() error { return unmount(d.Dir) }

func unmount(dir string) error {
	var err error
	for range 200 {
		if err = syscall.Unmount(dir, 0); err == nil || errors.Is(err, syscall.EINVAL) {
			return nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	return errors.Join(fmt.Errorf("unmount %s: %w", dir, err), syscall.Unmount(dir, syscall.MNT_DETACH))
}

// Sync puts everything on the disk, so that only what comes later is at stake.
func (d *Disk) Sync(t testing.TB) {
	t.Helper()
	if _, err := run("sync", "-f", d.Dir); err != nil {
		t.Fatal(err)
	}
}

// Cut takes the power away: nothing reaches the disk any more, not even what the
// kernel holds in memory. Processes may go on; Restore needs them gone.
func (d *Disk) Cut(t testing.TB) {
	t.Helper()
	dir, err := os.Open(d.Dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = dir.Close() }()
	const (
		shutdown   = 0x8004587d // EXT4_IOC_SHUTDOWN
		noLogFlush = 2          // EXT4_GOING_FLAGS_NOLOGFLUSH: the journal isn't written out either
	)
	how := uint32(noLogFlush)
	if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, dir.Fd(), shutdown, uintptr(unsafe.Pointer(&how))); errno != 0 {
		t.Fatalf("cut the power of %s: %v", d.Dir, errno)
	}
}

// Restore gives the power back: the disk is mounted as it was left.
func (d *Disk) Restore(t testing.TB) {
	t.Helper()
	if err := errors.Join(d.unmount(), d.mount()); err != nil {
		t.Fatal(err)
	}
}

// SmallDisk is a file system in memory that is soon full.
type SmallDisk struct{ Dir string }

// NewSmallDisk makes one. That takes root; elsewhere the test is left out and says
// so.
func NewSmallDisk(t testing.TB, bytes int64) *SmallDisk {
	t.Helper()
	needMounts(t)
	d := &SmallDisk{Dir: filepath.Join(t.TempDir(), "small")}
	if err := os.Mkdir(d.Dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := run("mount", "-t", "tmpfs", "-o", fmt.Sprintf("size=%d,mode=755", bytes), "tmpfs", d.Dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := unmount(d.Dir); err != nil {
			t.Error(err)
		}
	})
	return d
}

// Resize gives the disk more room, or less.
func (d *SmallDisk) Resize(t testing.TB, bytes int64) {
	t.Helper()
	if _, err := run("mount", "-o", fmt.Sprintf("remount,size=%d", bytes), d.Dir); err != nil {
		t.Fatal(err)
	}
}

// Free is how many bytes still fit on it.
func (d *SmallDisk) Free(t testing.TB) int64 {
	t.Helper()
	var s syscall.Statfs_t
	if err := syscall.Statfs(d.Dir, &s); err != nil {
		t.Fatal(err)
	}
	return int64(s.Bavail) * s.Bsize
}

// needMounts leaves the test out where this process may not mount anything.
func needMounts(t testing.TB) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("LEFT OUT, NOT TESTED HERE: it mounts disks, which takes root")
	}
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); err != nil {
		t.Skipf("LEFT OUT, NOT TESTED HERE: it mounts disks, which this machine refuses: %v", err)
	}
	if err := unmount(dir); err != nil {
		t.Fatal(err)
	}
}

func run(name string, args ...string) (string, error) {
	out, err := exec.Command(name, args...).CombinedOutput()
	text := strings.TrimSpace(string(out))
	if err != nil {
		return "", fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, text)
	}
	return text, nil
}
