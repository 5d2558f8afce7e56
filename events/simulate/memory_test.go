package simulate

import (
	"runtime"
	"testing"
)

// What is held doesn't grow with the number of cases: four blocks of departments
// take what one takes. The heap is read after a collection, so it is what is held.
func TestEventsAreNotHeld(t *testing.T) {
	most := func(cases int) (held uint64, events int) {
		for range (Scenario{Seed: 5, Cases: cases}).Events() {
			if events++; events%50_000 == 0 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				held = max(held, m.HeapAlloc)
			}
		}
		return held, events
	}
	few, n := most(operationsPerBlock)
	many, m := most(4 * operationsPerBlock)
	t.Logf("%d events: %.1f MB at most; %d events: %.1f MB", n, float64(few)/1e6, m, float64(many)/1e6)
	if many > few+few/4 {
		t.Errorf("%d events are made with %d bytes in use, %d with %d: they are held", m, many, n, few)
	}
}
