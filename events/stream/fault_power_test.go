package stream_test

import (
	"path/filepath"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
)

// setup is some servers, each on a disk of its own that can lose its power.
type setup struct {
	disks   []*streamtest.Disk
	servers []*streamtest.Server
}

func newSetup(t *testing.T, nodes int, alwaysSync bool) *setup {
	t.Helper()
	u := &setup{}
	var dirs []string
	for range nodes {
		d := streamtest.NewDisk(t, 512<<20)
		u.disks = append(u.disks, d)
		dirs = append(dirs, filepath.Join(d.Dir, "js"))
	}
	switch {
	case nodes > 1:
		u.servers = streamtest.Cluster(t, alwaysSync, dirs...)
	case alwaysSync: // the program's own server
		u.servers = []*streamtest.Server{streamtest.Start(t, streamtest.Spec{StoreDir: dirs[0], MaxFileBytes: 8 << 30})}
	default:
		port := streamtest.FreePort()
		u.servers = []*streamtest.Server{streamtest.Start(t, streamtest.Spec{StoreDir: dirs[0], Port: port, Conf: streamtest.Conf("n1", dirs[0], port, false, "")})}
	}
	return u
}

// cut takes the power of the first nodes at once and gives it back. Without power
// nothing computes either: a server that outlives its disk by some milliseconds hears
// from the kernel that the event it just wrote is on the disk, and acknowledges it.
func (u *setup) cut(t *testing.T, nodes int, whileDark func()) {
	t.Helper()
	for _, s := range u.servers[:nodes] {
		s.Freeze(t)
	}
	for _, d := range u.disks[:nodes] {
		d.Cut(t)
	}
	for _, s := range u.servers[:nodes] {
		s.Kill()
	}
	whileDark()
	for _, d := range u.disks[:nodes] {
		d.Restore(t)
	}
	for _, s := range u.servers[:nodes] {
		s.Restart(t)
	}
}

// An acknowledged event is on the disk: it is there after the power was cut, of one
// node, of all nodes at once, and of one of three. The control run leaves
// sync_interval at its default and has to lose events: otherwise this test couldn't
// tell.
func TestAPowerCutLosesNothingAcknowledged(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name       string
		nodes      int
		cut        []int // how many of the nodes, round by round
		alwaysSync bool
		quick      int // rounds; 0 leaves it to the long form
	}{
		{"one node", 1, []int{1}, true, 2},
		{"control: one node that syncs every two minutes", 1, []int{1}, false, 1},
		{"three nodes, all cut and one cut", 3, []int{3, 1}, true, 1},
		{"control: three nodes that sync every two minutes, all cut", 3, []int{3}, false, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rounds := streamtest.Rounds(t, c.quick, 1)
			if rounds == 0 {
				t.Skip("only in the long form: the control on one node shows the same")
			}
			chance := streamtest.Random(t)
			ledger := streamtest.NewLedger(t)
			var u *setup
			var s *stream.Stream
			var epoch string
			lost, acked, done := 0, 0, 0
			for round := range rounds {
				cut := c.cut[round%len(c.cut)]
				if s == nil {
					u = newSetup(t, c.nodes, c.alwaysSync)
					s = openSoon(t, configFor(u.servers...))
					epoch = s.Epoch()
					warm := startLoad(t, s.Publisher(), ledger, "warm-"+epoch, 1, 200)
					warm.reach(ledger.Len() + 8)
					warm.stop()
				}
				// Only what comes now is at stake.
				for _, d := range u.disks {
					d.Sync(t)
				}
				before := ledger.Len()
				work := startLoad(t, s.Publisher(), ledger, time.Now().Format("150405.000000"), 4, 200+chance.IntN(800))
				work.reach(before + 100 + chance.IntN(900))
				u.cut(t, cut, func() {
					if cut == c.nodes {
						work.stop()
					} else {
						work.reach(ledger.Len() + 100) // the others go on
					}
				})
				work.stop()
				done++
				s.Close()
				cfg := configFor(u.servers...)
				if c.alwaysSync {
					cfg.ExpectEpoch, cfg.MinLastSequence = epoch, ledger.Last()
				}
				s = openSoon(t, cfg)
				d, err := compare(within(t, time.Minute), t, s, ledger)
				if err != nil {
					t.Fatalf("round %d: read the stream: %v", done, err)
				}
				lost += len(d.lost) + len(d.changed)
				acked += ledger.Len() - before
				if c.alwaysSync && lost > 0 {
					t.Fatalf("round %d: %s; first lost %v, first changed %v", done, d, first(d.lost), first(d.changed))
				}
				if !c.alwaysSync {
					// A log that lost its end gives old sequences to new events: begin anew.
					s.Close()
					s, ledger = nil, streamtest.NewLedger(t)
				}
			}
			t.Logf("%d power cuts, %d events acknowledged at stake, %d lost", done, acked, lost)
			if !c.alwaysSync && lost == 0 {
				t.Error("the control run lost nothing: this test can't tell a synced log from another")
			}
		})
	}
}
