package projector

import "testing"

// A panic beside its caller is its caller's: else it would end the process, and no
// event could be set aside for it.
func TestBesidePanicsAsItsCaller(t *testing.T) {
	defer func() {
		if r := recover(); r != "in the fold" {
			t.Errorf("recovered %v", r)
		}
	}()
	wait := beside(func() { panic("in the fold") })
	wait()
	t.Error("wait returned")
}
