package portal

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"time"
)

// knownMoment is a moment known in both: its place in the file of a recording, and the
// time on the theatre's clock.
type knownMoment struct {
	offset time.Duration
	at     time.Time
}

// theatreClock turns places in a recording into times. One known moment gives the
// start of a file that runs at the operation's pace; two give its pace; more make
// pieces, for a file that was cut. Before the first and after the last the pace of
// the nearest piece holds.
type theatreClock []knownMoment

// newTheatreClock sorts the moments by their place and says what is wrong with them:
// both the places and the times have to rise.
func newTheatreClock(known []knownMoment) (theatreClock, string) {
	c := theatreClock(slices.Clone(known))
	slices.SortFunc(c, func(a, b knownMoment) int { return int(a.offset - b.offset) })
	for i := 1; i < len(c); i++ {
		switch {
		case c[i].offset == c[i-1].offset:
			return nil, fmt.Sprintf("Two known moments lie at %s in the recording. Keep one, or correct it.", offsetWords(c[i].offset.Milliseconds()))
		case !c[i].at.After(c[i-1].at):
			return nil, fmt.Sprintf("The recording goes on from %s to %s, but the theatre's clock doesn't. Correct one of these two known moments.",
				offsetWords(c[i-1].offset.Milliseconds()), offsetWords(c[i].offset.Milliseconds()))
		}
	}
	return c, ""
}

// at is the time on the theatre's clock of a place in the recording, to the
// millisecond.
func (c theatreClock) at(offset time.Duration) time.Time {
	if len(c) == 1 {
		return c[0].at.Add(offset - c[0].offset).Truncate(time.Millisecond)
	}
	i := 0
	for i < len(c)-2 && offset >= c[i+1].offset {
		i++
	}
	pace := float64(c[i+1].at.Sub(c[i].at)) / float64(c[i+1].offset-c[i].offset)
	return c[i].at.Add(time.Duration(float64(offset-c[i].offset) * pace)).Round(time.Millisecond)
}

// words say what the moments make of the recording.
func (c theatreClock) words() string {
	switch len(c) {
	case 0:
		return ""
	case 1:
		return "One known moment: the file is taken to run at the operation's pace."
	}
	out := ""
	for i := 1; i < len(c); i++ {
		pace := float64(c[i].at.Sub(c[i-1].at)) / float64(c[i].offset-c[i-1].offset)
		out += fmt.Sprintf("From %s to %s of the file, one second of it is %s s of the operation. ",
			offsetWords(c[i-1].offset.Milliseconds()), offsetWords(c[i].offset.Milliseconds()), decimal(pace, 2))
	}
	return out
}

var (
	offsetForm = regexp.MustCompile(`^(?:(\d{1,2}):)?(\d{1,3}):(\d{2})(?:[.,](\d{1,3}))?$`)
	clockForm  = regexp.MustCompile(`^(\d{1,2}):(\d{2})(?::(\d{2}))?$`)
)

// longestRecording is the greatest place that an event may name.
const longestRecording = 24 * time.Hour

// parseOffset reads a place in a recording: m:ss or h:mm:ss, with tenths if need be.
func parseOffset(text string) (time.Duration, bool) {
	m := offsetForm.FindStringSubmatch(text)
	if m == nil {
		return 0, false
	}
	n := func(s string) time.Duration {
		v, _ := strconv.Atoi(s) // digits, or nothing
		return time.Duration(v)
	}
	if n(m[3]) > 59 || m[1] != "" && n(m[2]) > 59 {
		return 0, false
	}
	d := n(m[1])*time.Hour + n(m[2])*time.Minute + n(m[3])*time.Second
	if m[4] != "" {
		d += n((m[4] + "00")[:3]) * time.Millisecond
	}
	return d, d <= longestRecording
}

// parseClock reads a time on the theatre's clock, HH:MM or HH:MM:SS, on the day of
// the operation and in its zone; one long before the start is of the day after.
func parseClock(text string, started time.Time) (time.Time, bool) {
	m := clockForm.FindStringSubmatch(text)
	if m == nil {
		return time.Time{}, false
	}
	var n [3]int
	for i, s := range m[1:] {
		n[i], _ = strconv.Atoi(s) // digits, or nothing
	}
	if n[0] > 23 || n[1] > 59 || n[2] > 59 {
		return time.Time{}, false
	}
	y, month, d := started.Date()
	at := time.Date(y, month, d, n[0], n[1], n[2], 0, started.Location())
	if started.Sub(at) > 12*time.Hour {
		at = at.AddDate(0, 0, 1)
	}
	return at, true
}
