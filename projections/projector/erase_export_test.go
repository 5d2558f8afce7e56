package projector

// AfterStep has f called after each step of an erasure; for tests that break it off.
func (e *Eraser) AfterStep(f func(name string) error) { e.step = f }
