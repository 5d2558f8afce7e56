package learning

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"

	"lensledger/events"
	"lensledger/projections/pg"
)

// BandTable is the peer_band table: a read model of its own that only the role
// figures may read, and of which a person's row is never shown.
var BandTable = pg.Table{
	Name:    "peer_band",
	Key:     []string{"surgeon", "band"},
	Columns: []string{"surgeon", "band", "steps", "counts", "seconds"},
}

// Band is a range of case numbers, both included.
type Band struct {
	First int `json:"first_case"`
	Last  int `json:"last_case"`
}

// Bands are the ranges of experience within which step times are compared, up to
// case 400. A part case before the first whole one is in the first band. Common
// practice, no source.
var Bands = []Band{{1, 10}, {11, 25}, {26, 50}, {51, 100}, {101, 200}, {201, 300}, {301, 400}}

// lastBanded is the last case number that any band holds.
const lastBanded = 400

// BandOf finds the band of a case number; ok is false beyond the last one.
func BandOf(number int) (b Band, ok bool) {
	for _, b := range Bands {
		if number <= b.Last {
			return b, true
		}
	}
	return Band{}, false
}

// String names the band, "11-25".
func (b Band) String() string { return strconv.Itoa(b.First) + "-" + strconv.Itoa(b.Last) }

// PeerBand is what one surgeon's steps took in one band: for each step the number
// of runs, and the seconds of all runs, step after step, each rising.
type PeerBand struct {
	Surgeon string
	Band    string
	Steps   []string
	Counts  []int32
	Seconds Seconds
}

// Seconds are stored as two bytes each, the higher first: a band of many surgeons
// holds a million, and Postgres turns each element of an array by itself.
type Seconds []int16

// BytesValue gives them as pgx stores a bytea.
func (s Seconds) BytesValue() ([]byte, error) {
	out := make([]byte, 0, 2*len(s))
	for _, n := range s {
		out = binary.BigEndian.AppendUint16(out, uint16(n))
	}
	return out, nil
}

// ScanBytes reads what BytesValue gave.
func (s *Seconds) ScanBytes(stored []byte) error {
	if len(stored)%2 != 0 {
		return fmt.Errorf("seconds: %d bytes, which isn't two for each", len(stored))
	}
	*s = make(Seconds, len(stored)/2)
	for i := range *s {
		(*s)[i] = int16(binary.BigEndian.Uint16(stored[2*i:]))
	}
	return nil
}

// Key is the surgeon and the band.
func (p PeerBand) Key() [2]string { return [2]string{p.Surgeon, p.Band} }

// Values lists the row in the order of BandTable.Columns.
func (p PeerBand) Values() []any { return []any{p.Surgeon, p.Band, p.Steps, p.Counts, p.Seconds} }

// StepTime is a run's step, by its place in the usual order, and its seconds.
type StepTime struct {
	Step    uint8
	Seconds int16
}

// TimesOf lists the runs of an entry whose length is known. A run that failed has
// none.
func TimesOf(steps []string, seconds []*int32) []StepTime {
	var out []StepTime
	for i, s := range seconds {
		if s == nil {
			continue
		}
		if at := slices.Index(events.StepOrder, events.Step(steps[i])); at >= 0 {
			out = append(out, StepTime{uint8(at), int16(*s)})
		}
	}
	return out
}

// Banded lists the cases that a surgeon's peer bands are made of: those up to the
// last band. The entries are in chart order. A surgeon whose count of cases isn't
// on record, not enrolled or neither a trainee nor with prior cases, has none.
func Banded(s Surgeon, entries []Entry) []string {
	if !s.Enrolled || (!s.Trainee && s.PriorWhole == 0) {
		return nil
	}
	var out []string
	for i, n := range CaseNumbers(int(s.PriorWhole), entries) {
		if n > lastBanded {
			break
		}
		out = append(out, entries[i].CaseCode)
	}
	return out
}

// PeerBandsOf makes a surgeon's peer bands from the step times of the cases that
// Banded lists.
func PeerBandsOf(s Surgeon, entries []Entry, times map[string][]StepTime) []PeerBand {
	cases := Banded(s, entries)
	if len(cases) == 0 {
		return nil
	}
	var out []PeerBand
	numbers := CaseNumbers(int(s.PriorWhole), entries[:len(cases)])
	for i := 0; i < len(cases); {
		band, _ := BandOf(numbers[i])
		var byStep [64][]int16
		for ; i < len(cases) && numbers[i] <= band.Last; i++ {
			for _, t := range times[cases[i]] {
				byStep[t.Step] = append(byStep[t.Step], t.Seconds)
			}
		}
		if p := peerBand(s.Surgeon, band, byStep[:len(events.StepOrder)]); len(p.Steps) > 0 {
			out = append(out, p)
		}
	}
	return out
}

func peerBand(surgeon string, band Band, byStep [][]int16) PeerBand {
	p := PeerBand{Surgeon: surgeon, Band: band.String()}
	for at, seconds := range byStep {
		if len(seconds) == 0 {
			continue
		}
		slices.Sort(seconds)
		p.Steps = append(p.Steps, string(events.StepOrder[at]))
		p.Counts = append(p.Counts, int32(len(seconds)))
		p.Seconds = append(p.Seconds, seconds...)
	}
	return p
}
