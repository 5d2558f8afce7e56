package simulate

import (
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"runtime"
	"strings"
	"testing"
	"time"

	"lensledger/events"
)

// TestSameSeedSameEvents pins the hashes of the first events, so that another
// platform or Go version that draws other numbers is noticed. A change of the
// scenario or the vocabulary changes them on purpose. Operations are pinned apart
// from the eyes' courses beside them, which draw from streams of their own: a
// change there must leave the operations as they are.
func TestSameSeedSameEvents(t *testing.T) {
	t.Parallel()
	for seed, want := range map[uint64]struct{ operations, all string }{
		1:        {"cd99b54613b5eca115bda5d4b2d9381a", "6d0a29aec04d3587fd04f005b62e7bb8"},
		2:        {"7810923daf6d2768eabca656629675df", "b91ceaf7924a2deb83b19beddcebb268"},
		demoSeed: {"baa6d265842c219c8aa77c3fe4f56a09", "d6b4bed5081f883bc553ec2e4d912ab6"},
	} {
		operations, all := sha256.New(), sha256.New()
		n := 0
		for e := range (Scenario{Seed: seed, Cases: 6000}).Events() {
			h := e.Hash()
			if all.Write(h[:]); strings.Contains(e.ID, "-p") {
				continue
			}
			operations.Write(h[:])
			if n++; n == 20_000 {
				break
			}
		}
		short := func(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil))[:32] }
		if got := short(operations); got != want.operations {
			t.Errorf("seed %d: the first 20,000 events of operations hash to %s, want %s", seed, got, want.operations)
		}
		if got := short(all); got != want.all {
			t.Errorf("seed %d: the first events hash to %s, want %s", seed, got, want.all)
		}
	}
}

// TestEveryEventIsValid decodes what it encodes: no problem, the same hash.
func TestEveryEventIsValid(t *testing.T) {
	t.Parallel()
	n := 0
	for e := range Demo().Events() {
		n++
		if strings.HasPrefix(string(e.Type), "lensledger.step.") && n%10 != 0 {
			continue // one in ten of these will do
		}
		back, problems := events.DecodeStructured(e.Encode())
		if len(problems) > 0 {
			t.Fatalf("%s: %+v\n%s", e.ID, problems, e.Encode())
		}
		if back.Hash() != e.Hash() {
			t.Fatalf("%s: decoded as another event\n%s\n%s", e.ID, e.Canonical(), back.Canonical())
		}
	}
}

// TestIdentities: an identity comes again only with the same content, but for
// three conflicts in each 6,000 operations; no code is used by two departments.
func TestIdentities(t *testing.T) {
	t.Parallel()
	s := Scenario{Seed: 5, Cases: 9000}
	hashes := map[events.Identity]events.Hash{}
	departments := map[string]string{} // by subject
	duplicates, conflicts, n := 0, 0, 0
	for e := range s.Events() {
		n++
		if was, ok := departments[e.Subject]; ok && was != e.Department {
			t.Fatalf("%s is used by %s and %s", e.Subject, was, e.Department)
		}
		departments[e.Subject] = e.Department
		h, seen := hashes[e.Identity()]
		switch {
		case !seen:
			hashes[e.Identity()] = e.Hash()
		case h == e.Hash():
			duplicates++
		default:
			conflicts++
		}
	}
	sum := s.Summary()
	if conflicts != 6 || sum.Conflicts != 6 {
		t.Errorf("conflicts: %d seen, %d in the summary, want 3 in each of two blocks", conflicts, sum.Conflicts)
	}
	if duplicates != sum.Duplicates || n != sum.Events {
		t.Errorf("duplicates %d and events %d, summary %d and %d", duplicates, n, sum.Duplicates, sum.Events)
	}
	priors := map[int]bool{}
	for _, s := range sum.Surgeons {
		if s.Code[0] == 'C' {
			priors[s.PriorWholeCases] = true
		}
	}
	if len(priors) < 40 { // of 46 consultants, each with a number drawn from 7,001
		t.Errorf("only %d different numbers of prior cases: departments draw the same numbers", len(priors))
	}
	if len(sum.Departments) != 6 || len(sum.Surgeons) != 2*(traineesPerBlock+consultantsPerBlock) {
		t.Errorf("%d departments, %d surgeons", len(sum.Departments), len(sum.Surgeons))
	}
}

// TestOrderOfArrival: arrivals only go up, though some events are days late.
func TestOrderOfArrival(t *testing.T) {
	t.Parallel()
	var last, newest, operated int64
	late, n := 0, 0
	Demo().run(&tally{}, func(s sending) bool {
		n++
		if s.arrival < last {
			t.Fatalf("%s arrives before the event ahead of it", s.event.ID)
		}
		at := s.event.Time.Unix()
		if s.arrival < at {
			t.Fatalf("%s arrives before it happens", s.event.ID)
		}
		if at < newest-daySeconds {
			late++
		}
		if s.event.Type == events.TypeCaseStarted {
			operated = max(operated, at)
		}
		last, newest = s.arrival, max(newest, at)
		return true
	})
	if share := float64(late) / float64(n); share < 0.01 || share > 0.04 {
		t.Errorf("%d of %d events are over a day late", late, n)
	}
	if end := time.Date(2025, 12, 31, 0, 0, 0, 0, time.UTC).Unix(); operated >= end || operated < end-45*daySeconds {
		t.Errorf("the last operation begins %s, want a little before the end of 2025", time.Unix(operated, 0).UTC())
	}
	if last > operated+200*daySeconds || last < operated+90*daySeconds {
		t.Errorf("the last event arrives %s, want three to six months after the last operation", time.Unix(last, 0).UTC())
	}
}

// TestDemo: sizes, the persona, and a code that the docs use.
func TestDemo(t *testing.T) {
	t.Parallel()
	sum := Demo().Summary()
	sizes := map[string]int{"HARBOUR": 3000, "MOORLAND": 2000, "FENLAND": 1000}
	for _, d := range sum.Departments {
		if d.All.Operations != sizes[d.Code] {
			t.Errorf("%s: %d operations, want %d", d.Code, d.All.Operations, sizes[d.Code])
		}
	}
	if per := float64(sum.Events) / 6000; per < 34 || per > 38 {
		t.Errorf("%.1f events an operation, want about 27 of the operation and 9 beside it", per)
	}
	prior := map[string]int{}
	for _, s := range sum.Surgeons {
		if !strings.HasPrefix(s.Code, "S-") {
			continue
		}
		switch p := s.PriorWholeCases; {
		case p == 0:
			prior["none"]++
		case p >= 10 && p <= 80:
			prior["10-80"]++
		case p >= 100 && p <= 250:
			prior["100-250"]++
		case p > 300:
			prior["over 300"]++
		}
		if s.Code == "S-014" && (s.Department != "HARBOUR" || s.PriorWholeCases != 0 || s.Slots < 120 || s.Slots > 180) {
			t.Errorf("the demo's trainee: %+v", s)
		}
		if s.Story == string(drifts) && s.WholeCases < driftAfter+80 {
			t.Errorf("%s drifts for too few cases to signal: %d whole in all", s.Code, s.WholeCases)
		}
	}
	if prior["none"] != 8 || prior["10-80"] != 8 || prior["100-250"] != 5 || prior["over 300"] != 3 {
		t.Errorf("prior cases: %v", prior)
	}
	for e := range Demo().Events() {
		if e.Subject == "HB-2025-00417" && e.Source == "ehr-harbour" {
			return
		}
	}
	t.Error("no case HB-2025-00417")
}

// TestFewCases: the number of operations is exact whatever it is.
func TestFewCases(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, 2, 5, 7, 100, 601} {
		got := 0
		for _, d := range (Scenario{Seed: 9, Cases: n}).Summary().Departments {
			got += d.All.Operations
		}
		if got != n {
			t.Errorf("%d operations, want %d", got, n)
		}
	}
}

// TestMemoryStaysBounded streams 48,000 operations and looks at the heap after
// each 14,000 or so: it holds no more than for the first.
func TestMemoryStaysBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("1.7 million events")
	}
	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	n, most := 0, uint64(0)
	for range (Scenario{Seed: 3, Cases: 48_000}).Events() {
		if n++; n%500_000 == 0 {
			runtime.GC()
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapAlloc-min(before.HeapAlloc, now.HeapAlloc))
		}
	}
	t.Logf("%d events, at most %d KB held", n, most>>10)
	if most > 32<<20 {
		t.Errorf("%d MB held while streaming, want at most 32", most>>20)
	}
	if n < 1_600_000 {
		t.Errorf("%d events for 48,000 operations", n)
	}
}

// BenchmarkEvents reports events a second; 200,000 are wanted.
func BenchmarkEvents(b *testing.B) {
	b.ReportAllocs()
	n := 0
	for n < b.N {
		for range Demo().Events() {
			if n++; n >= b.N {
				break
			}
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
