package stream_test

import (
	"testing"
	"time"

	"lensledger/events/stream/streamtest"
)

// kill -9 of the server under load, at any moment, in its start too: nothing
// acknowledged is lost, and the stream and its settings are still there.
func TestKilledServersLoseNothingAcknowledged(t *testing.T) {
	t.Parallel()
	chance := streamtest.Random(t)
	rounds := streamtest.Rounds(t, 4, 10)
	server := streamtest.Start(t, streamtest.Spec{StoreDir: t.TempDir(), MaxFileBytes: 8 << 30})
	s := openSoon(t, configFor(server))
	ledger := streamtest.NewLedger(t)
	work := startLoad(t, s.Publisher(), ledger, "kill", 4, 300)
	inStart := 0
	for round := range rounds {
		work.reach(ledger.Len() + 50 + chance.IntN(200))
		time.Sleep(time.Duration(chance.IntN(3000)) * time.Microsecond) // anywhere between two writes
		server.Kill()
		if round%3 == 1 {
			server.KillInStart(t, time.Duration(chance.IntN(150))*time.Millisecond)
			inStart++
		}
		server.Restart(t)
		// Opening checks every setting, the epoch, and that the log reaches as far.
		cfg := configFor(server)
		cfg.ManageStream, cfg.ExpectEpoch, cfg.MinLastSequence = false, s.Epoch(), ledger.Last()
		openSoon(t, cfg).Close()
	}
	work.reach(ledger.Len() + 50)
	work.stop()
	d := wantAll(t, s, ledger)
	t.Logf("%d kills, %d of them in the server's start: %s", rounds+inStart, inStart, d)
}
