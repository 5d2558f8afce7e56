package fold

import (
	"reflect"
	"testing"
	"time"

	"lensledger/events"
)

// A step belongs inside its operation and lasts two hours at most: common
// practice, no source.
func TestStepsThatCannotBe(t *testing.T) {
	type run struct{ from, to time.Duration }
	for name, test := range map[string]struct {
		run  run
		flag string
	}{
		"inside":          {run{5 * time.Minute, 8 * time.Minute}, ""},
		"begins too soon": {run{-time.Minute, 8 * time.Minute}, "step-outside"},
		"ends too late":   {run{25 * time.Minute, 31 * time.Minute}, "step-outside"},
		"ends at the end": {run{25 * time.Minute, 30 * time.Minute}, ""},
		"over two hours":  {run{5 * time.Minute, 2*time.Hour + 6*time.Minute}, "step-time"},
	} {
		s := eye()
		add := func(after time.Duration, data any) {
			e := s.Events[0]
			e.Sequence = uint64(len(s.Events) + 1)
			e.Event.ID, e.Event.Type, e.Event.Time, e.Event.Data = name+after.String(), typeOf[reflect.TypeOf(data)], noon.Add(after), data
			s.Events = append(s.Events, e)
		}
		add(test.run.from, &events.StepStarted{Step: "sculpting"})
		add(test.run.to, &events.StepFinished{Step: "sculpting"})
		add(30*time.Minute, &events.CaseFinished{})
		c := Component([]Subject{s})[0]
		for _, flag := range []string{"step-outside", "step-time"} {
			if hasFlag(c, flag) != (flag == test.flag) && !(test.flag == "step-time" && flag == "step-outside") {
				t.Errorf("%s: %s is %v", name, flag, hasFlag(c, flag))
			}
		}
		if _, known := c.Steps[0].Length(); known != (test.flag != "step-time") {
			t.Errorf("%s: length known is %v", name, known)
		}
	}
}
