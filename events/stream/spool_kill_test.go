package stream

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// spoolHolder names, for the child of TestSpoolOutlivesKills, the spool's folder,
// the server, and the number of the first event.
const spoolHolder = "LENSLEDGER_TEST_HOLD_SPOOL"

// TestSpoolHolder isn't a test: it is the program that TestSpoolOutlivesKills
// kills. It hands over events, two at a time, and says which are kept.
func TestSpoolHolder(t *testing.T) {
	words := strings.Split(os.Getenv(spoolHolder), "|")
	if len(words) != 3 {
		t.Skip("runs only as the child of another test")
	}
	from, err := strconv.Atoi(words[2])
	if err != nil {
		t.Fatal(err)
	}
	p, err := OpenPublisher(context.Background(), Config{URL: words[1], User: adminName, Password: "only-for-this-test", ConnectLater: true})
	if err != nil {
		t.Fatal(err)
	}
	s, err := OpenSpool(SpoolConfig{Dir: words[0], Publisher: p})
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println("open")
	go func() {
		if err := s.Run(context.Background()); err != nil {
			fmt.Println("FAIL", err)
		}
	}()
	for n := from; ; n += 2 {
		if err := s.Keep(context.Background(), events(n, n+1)); err != nil {
			t.Fatal(err)
		}
		fmt.Println("kept", n)
	}
}

// Whatever Keep promised is in the log in the end, with the same id and bytes,
// though the process is killed again and again, with the server there and away;
// and nothing is there that wasn't handed over.
func TestSpoolOutlivesKills(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	b := newBroker(t)
	dir := filepath.Join(t.TempDir(), "spool")
	ledger, handed := map[string]int{}, map[string]int{}
	up := true
	for round := range 6 {
		if want := round%2 == 1; want != up {
			if up = want; up {
				b.start(t)
			} else {
				b.srv.Close()
			}
		}
		first := 100000*(round+1) + 1
		child := exec.Command(os.Args[0], "-test.run=^TestSpoolHolder$")
		child.Env = append(os.Environ(), fmt.Sprintf("%s=%s|nats://127.0.0.1:%d|%d", spoolHolder, dir, b.cfg.Port, first))
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		enough := 20 + random.IntN(100) // so many promises, and then the kill
		last := first - 2
		killed := false
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			word, rest, _ := strings.Cut(lines.Text(), " ")
			if n, err := strconv.Atoi(rest); word == "kept" && err == nil {
				last = n
				for e := range setOf(events(n, n+1)) {
					ledger[e] = 1
				}
				enough--
			} else if word == "FAIL" || strings.HasPrefix(word, "---") {
				t.Errorf("round %d: %s", round, lines.Text())
			}
			if enough <= 0 && !killed {
				killed = true
				if err := child.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		_ = child.Wait()
		if last < first {
			t.Fatalf("round %d: nothing was kept", round)
		}
		// One call may have been cut off before it could say so.
		for e := range setOf(events(first, last+3)) {
			handed[e] = 1
		}
	}
	if !up {
		b.start(t)
	}
	run(t, openSpool(t, SpoolConfig{Dir: dir, Publisher: b.publisher(t, nil)}))
	got := b.stored(t)
	for e := range ledger {
		if got[e] == 0 {
			t.Errorf("promised and lost: %q", e)
		}
	}
	for e := range got {
		if handed[e] == 0 {
			t.Errorf("nobody handed over %q", e)
		}
	}
	t.Logf("%d promised, %d in the log", len(ledger), len(got))
}
