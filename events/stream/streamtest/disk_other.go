//go:build !linux

package streamtest

import "testing"

const onLinuxAlone = "LEFT OUT, NOT TESTED HERE: it mounts disks in the way of Linux"

// Disk is a disk that can lose its power; on Linux alone.
type Disk struct{ Dir string }

// NewDisk leaves the test out.
func NewDisk(t testing.TB, _ int64) *Disk {
	t.Helper()
	t.Skip(onLinuxAlone)
	return nil
}

// Sync is never reached.
func (d *Disk) Sync(testing.TB) {}

// Cut is never reached.
func (d *Disk) Cut(testing.TB) {}

// Restore is never reached.
func (d *Disk) Restore(testing.TB) {}

// SmallDisk is a disk that is soon full; on Linux alone.
type SmallDisk struct{ Dir string }

// NewSmallDisk leaves the test out.
func NewSmallDisk(t testing.TB, _ int64) *SmallDisk {
	t.Helper()
	t.Skip(onLinuxAlone)
	return nil
}

// Resize is never reached.
func (d *SmallDisk) Resize(testing.TB, int64) {}

// Free is never reached.
func (d *SmallDisk) Free(testing.TB) int64 { return 0 }
