package portal

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
)

// recordingForm is the marks of a recording as typed in, and as shown again when
// they weren't stored. Everything is text: what can't be read is shown again.
type recordingForm struct {
	ID       string // of this form: what is sent twice from it makes the same events
	OpenedAt string // when the form was made, RFC 3339; when the points were said
	Length   string // of the file; only holds the other places against it

	Known  []knownRow
	Steps  []markedStepRow
	Points []markedPointRow
}

// Rows of the form. A row without its places is left out.
type (
	knownRow struct {
		N             int // from 1
		Offset, Clock string
	}
	markedStepRow struct {
		N                int
		Step, Start, End string
	}
	markedPointRow struct {
		N                                     int
		Step, Code, Polarity, Consequence, At string
	}
)

// Bounds of a form: rows that stand empty, and the most of each kind.
const (
	emptyKnown, emptySteps, emptyPoints = 2, 6, 4
	mostKnown, mostMarks                = 12, 60
)

func newRecordingForm(now time.Time, id string) *recordingForm {
	f := &recordingForm{ID: id, OpenedAt: now.UTC().Format(time.RFC3339)}
	f.grow()
	return f
}

// grow adds empty rows below those that were filled.
func (f *recordingForm) grow() {
	for range emptyKnown {
		f.Known = append(f.Known, knownRow{})
	}
	for range emptySteps {
		f.Steps = append(f.Steps, markedStepRow{})
	}
	for range emptyPoints {
		f.Points = append(f.Points, markedPointRow{})
	}
	f.number()
}

func (f *recordingForm) number() {
	for i := range f.Known {
		f.Known[i].N = i + 1
	}
	for i := range f.Steps {
		f.Steps[i].N = i + 1
	}
	for i := range f.Points {
		f.Points[i].N = i + 1
	}
}

// fill takes what was sent, without judging it. Rows without anything typed are left
// out; a row's place in the lists of the fields is what holds it together.
func (f *recordingForm) fill(sent url.Values) {
	text := func(field string, i int) string {
		if list := sent[field]; i < len(list) {
			return strings.TrimSpace(list[i])
		}
		return ""
	}
	f.ID, f.OpenedAt, f.Length = text("form", 0), text("opened_at", 0), text("recording_length", 0)
	for i := range sent["known_offset"] {
		if row := (knownRow{0, text("known_offset", i), text("known_clock", i)}); row != (knownRow{}) {
			f.Known = append(f.Known, row)
		}
	}
	for i := range sent["step_start"] {
		if row := (markedStepRow{0, text("step", i), text("step_start", i), text("step_end", i)}); row.Step+row.Start+row.End != "" {
			f.Steps = append(f.Steps, row)
		}
	}
	for i := range sent["point_at"] {
		row := markedPointRow{0, text("point_step", i), text("point", i), text("point_polarity", i), text("point_consequence", i), text("point_at", i)}
		if row.Code+row.At+row.Step != "" {
			f.Points = append(f.Points, row)
		}
	}
	f.number()
}

// marks are what a form says, checked.
type marks struct {
	at     time.Time // of the form
	clock  theatreClock
	steps  []stepMark
	points []pointMark
}

type stepMark struct {
	step       events.Step
	start, end *time.Duration
}

type pointMark struct {
	events.TechniqueNoted
}

// check says what is wrong with the marks. Steps that are recorded otherwise aren't
// taken: their times stand, and a second record would double them.
func (f *recordingForm) check(c fold.Case, recorded []events.Step, now time.Time) (marks, []problemView) {
	var out marks
	var problems []problemView
	fault := func(field, words string) { problems = append(problems, problemView{field, words}) }
	length := longestRecording
	if f.Length != "" {
		var ok bool
		if length, ok = parseOffset(f.Length); !ok {
			fault("recording-length", "The length of the recording is minutes and seconds, such as 21:40.")
			length = longestRecording
		}
	}
	place := func(text, field, what string) *time.Duration {
		if text == "" {
			return nil
		}
		d, ok := parseOffset(text)
		switch {
		case !ok:
			fault(field, fmt.Sprintf("%s: “%s” isn't a place in the recording. Write minutes and seconds, such as 12:05, or 1:02:05.", what, text))
			return nil
		case d > length:
			fault(field, fmt.Sprintf("%s: %s lies behind the end of the recording, %s.", what, text, f.Length))
			return nil
		}
		return &d
	}
	out.clock = f.checkKnown(c, place, fault)
	if n := max(len(f.Steps), len(f.Points)); n > mostMarks {
		fault("step-1", fmt.Sprintf("There are %d rows; send %d at most, and the others from a new form.", n, mostMarks))
	}
	for _, row := range f.Steps {
		if mark, ok := row.check(c, recorded, out.clock, place, fault); ok {
			out.steps = append(out.steps, mark)
		}
	}
	for _, row := range f.Points {
		if mark, ok := row.check(place, fault); ok {
			out.points = append(out.points, mark)
		}
	}
	if len(out.steps) > 0 && len(f.Known) == 0 {
		fault("known-1-offset", "Marks of steps need one moment at least that you know in the recording and on the theatre's clock.")
	}
	if len(out.steps)+len(out.points) == 0 && len(problems) == 0 {
		fault("step-1", "Nothing is marked yet: fill in a step, or a teaching point.")
	}
	at, err := time.Parse(time.RFC3339, f.OpenedAt)
	if err != nil || at.After(now.Add(time.Minute)) || now.Sub(at) > formLife || !formID.MatchString(f.ID) {
		f.ID, f.OpenedAt = rand.Text(), now.UTC().Format(time.RFC3339)
		fault("send", "The form lay open for too long. Check that nothing has changed, and send it again.")
	}
	out.at = at.UTC()
	return out, problems
}

// Kinds of functions that check hands on.
type (
	placing  = func(text, field, what string) *time.Duration
	faulting = func(field, words string)
)

func (f *recordingForm) checkKnown(c fold.Case, place placing, fault faulting) theatreClock {
	if len(f.Known) > mostKnown {
		fault("known-1-offset", fmt.Sprintf("There are %d known moments; keep %d.", len(f.Known), mostKnown))
	}
	var known []knownMoment
	for _, row := range f.Known {
		id := fmt.Sprintf("known-%d", row.N)
		what := fmt.Sprintf("Known moment %d", row.N)
		offset := place(row.Offset, id+"-offset", what)
		at, ok := parseClock(row.Clock, c.StartedAt)
		switch {
		case row.Offset == "":
			fault(id+"-offset", what+": say where it lies in the recording.")
		case !ok:
			fault(id+"-clock", what+": give the time on the theatre's clock as hours, minutes and seconds, such as 10:02:30.")
		case offset != nil:
			known = append(known, knownMoment{*offset, at})
		}
	}
	clock, wrong := newTheatreClock(known)
	if wrong != "" {
		fault("known-1-offset", wrong)
	}
	return clock
}

// pace says what the known moments make of the recording, as far as they can be
// read.
func (f *recordingForm) pace(c fold.Case) string {
	var known []knownMoment
	for _, row := range f.Known {
		offset, placed := parseOffset(row.Offset)
		at, timed := parseClock(row.Clock, c.StartedAt)
		if placed && timed {
			known = append(known, knownMoment{offset, at})
		}
	}
	clock, _ := newTheatreClock(known) // what is wrong is said when it is sent
	return clock.words()
}

// maxBeside is how far from the recorded operation a marked step may lie; beyond it,
// a known moment is wrong. Common practice, no source.
const maxBeside = time.Hour

func (row markedStepRow) check(c fold.Case, recorded []events.Step, clock theatreClock, place placing, fault faulting) (stepMark, bool) {
	id := fmt.Sprintf("step-%d", row.N)
	mark := stepMark{step: events.Step(row.Step)}
	what := sentence(plain(row.Step))
	if row.Step == "" {
		what = fmt.Sprintf("Row %d of the steps", row.N)
	}
	switch {
	case row.Step == "":
		fault(id, what+": choose the step.")
		return mark, false
	case !slices.Contains(events.StepOrder, mark.step):
		fault(id, fmt.Sprintf("“%s” isn't one of the steps. Choose one from the list.", row.Step))
		return mark, false
	case slices.Contains(recorded, mark.step):
		fault(id, what+" is in the record already, and its times stand: marking it would count it twice. Empty this row.")
		return mark, false
	}
	mark.start, mark.end = place(row.Start, id+"-start", what+", start"), place(row.End, id+"-end", what+", end")
	switch {
	case row.Start == "" && row.End == "":
		fault(id+"-start", what+": say where it starts or ends in the recording.")
		return mark, false
	case row.Start != "" && mark.start == nil || row.End != "" && mark.end == nil:
		return mark, false // said already
	case mark.start != nil && mark.end != nil && *mark.end < *mark.start:
		fault(id+"-end", fmt.Sprintf("%s ends at %s, before it starts at %s.", what, row.End, row.Start))
		return mark, false
	}
	for _, d := range []*time.Duration{mark.start, mark.end} {
		if d == nil || len(clock) == 0 {
			continue
		}
		at := clock.at(*d)
		if at.Before(c.StartedAt.Add(-maxBeside)) || !c.FinishedAt.IsZero() && at.After(c.FinishedAt.Add(maxBeside)) {
			fault(id+"-start", fmt.Sprintf("%s would be at %s, more than an hour away from the recorded operation. Check the known moments.", what, clockTime(at)))
			return mark, false
		}
	}
	return mark, true
}

func clockTime(t time.Time) string { return t.Format("15:04:05") }

func (row markedPointRow) check(place placing, fault faulting) (pointMark, bool) {
	id := fmt.Sprintf("point-%d", row.N)
	what := fmt.Sprintf("Teaching point %d", row.N)
	var mark pointMark
	at := place(row.At, id+"-at", what)
	switch {
	case row.Code == "":
		fault(id, what+": give its code, letters, digits, - and _, such as rhexis-too-large.")
	case !caseCode.MatchString(row.Code):
		fault(id, fmt.Sprintf("%s: “%s” isn't a code: letters, digits, - and _, at most 40.", what, row.Code))
	case !slices.Contains(polarities, row.Polarity):
		fault(id+"-polarity", what+": choose whether it went well or is to work on.")
	case row.Step != "" && !slices.Contains(events.StepOrder, events.Step(row.Step)):
		fault(id+"-step", fmt.Sprintf("%s: “%s” isn't one of the steps.", what, row.Step))
	case row.Consequence != "" && !slices.Contains(bearings, row.Consequence):
		fault(id+"-consequence", fmt.Sprintf("%s: “%s” isn't one of what a point may bear on.", what, row.Consequence))
	case row.At != "" && at == nil: // said already
	default:
		mark.TechniqueNoted = events.TechniqueNoted{Step: events.Step(row.Step), TeachingPoint: events.Code(row.Code),
			Polarity: events.Polarity(row.Polarity), Consequence: events.Consequence(row.Consequence)}
		if at != nil {
			mark.RecordingOffsetMS = events.Some(at.Milliseconds())
		}
		return mark, true
	}
	return mark, false
}

var (
	polarities = []string{string(events.PolarityImprove), string(events.PolarityStrength)}
	bearings   = []string{"capsule", "zonule", "infection", "endothelium", "iris", "wound-leak", "refractive", "visibility", "comfort", "cosmetic", "none"}
)

// readRecordingForm takes what was sent.
func readRecordingForm(r *http.Request) *recordingForm {
	f := &recordingForm{}
	f.fill(r.PostForm)
	return f
}
