package learning

import (
	"strings"
	"testing"
)

// A service may show other counts; each says where it comes from, and the next one
// is the least that isn't reached.
func TestMinimums(t *testing.T) {
	p := Progress{CaseNumber: 100}
	if got := p.Against(Minimums); got.NextMinimum == nil || got.NextMinimum.Cases != 350 || !got.Minimums[0].Reached || got.Minimums[1].Reached {
		t.Errorf("%+v", got)
	}
	set, err := MinimumsOf(map[string]int{"region": 200, "usa": 86, "uk": 300})
	if err != nil || len(set) != 3 {
		t.Fatal(set, err)
	}
	if set[0].Source != Minimums[0].Source || !strings.HasPrefix(set[1].Source, "set by") || !strings.HasPrefix(set[2].Source, "set by") {
		t.Errorf("%+v", set)
	}
	if got := p.Against(set); got.NextMinimum.Name != "region" || got.NextMinimum.Cases != 200 {
		t.Errorf("%+v", got.NextMinimum)
	}
	if Minimums[0].Reached {
		t.Error("a progress changed the published counts")
	}
	if got := (Progress{CaseNumber: 350}).Against(Minimums); got.NextMinimum != nil {
		t.Errorf("%+v", got.NextMinimum)
	}
	for name, cases := range map[string]int{"": 5, "x": 0, "y": -1, "z": 1_000_000} {
		if _, err := MinimumsOf(map[string]int{name: cases}); err == nil {
			t.Errorf("%q %d was taken", name, cases)
		}
	}
	if got, err := MinimumsOf(nil); err != nil || len(got) != 2 {
		t.Error(got, err)
	}
}
