package department

import (
	"strings"
	"time"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
)

// Vision is what eyes saw before and after. The figures themselves are of one eye
// a patient: those not booked as second eyes. Excluded counts, of these, the eyes
// of which it can't be said whether they lost vision, by reason. Operations after
// CompleteTo may still come by an acuity. Comparable is false when too little
// follow-up is known to draw a comparison.
//
// Source: the rule of which acuity counts, Sparrow JM, Taylor H, Qureshi K, et
// al. Eye 2012;26:821-826; the bands, Day AC, Donachie PHJ, Sparrow JM, Johnston
// RL. Eye 2015;29:552-560.
type Vision struct {
	VisionGroup
	ByCopathology map[string]VisionGroup `json:"by_copathology"`
	AllEyes       VisionGroup            `json:"all_eyes"`
	Excluded      map[string]int         `json:"excluded"`
	Window        Window                 `json:"window"`
	CompleteTo    string                 `json:"complete_to"`
	Comparable    bool                   `json:"comparable"`
}

// VisionGroup is the vision of a group of eyes. Loss is worse by 30 hundredths of
// logMAR or more, crude; eyes without light perception before are left out of it.
type VisionGroup struct {
	Eyes    int           `json:"eyes"`
	Before  AcuityBands   `json:"before"`
	After   AcuityBands   `json:"after"`
	Unaided AcuityBands   `json:"after_unaided"`
	Loss    BoundedFigure `json:"visual_loss"`
}

// AcuityBands counts eyes at or better than an acuity in logMAR, of those
// measured.
type AcuityBands struct {
	N     int   `json:"n"`
	At000 Share `json:"at_0_00_or_better"`
	At030 Share `json:"at_0_30_or_better"`
}

func visionOf(sums map[string]int64, asOf archive.AsOf) (Vision, error) {
	v := Vision{ByCopathology: map[string]VisionGroup{}, Excluded: members(sums, VisionMissingPrefix),
		Window: Window{fold.AcuityFromDay, fold.AcuityToDay}, CompleteTo: completeTo(asOf, fold.AcuityToDay)}
	diseases := []string{WithCopathology, WithoutCopathology, UnknownCopathology}
	var err error
	if v.VisionGroup, err = visionGroup(sums, []string{oneEye}, diseases); err != nil {
		return v, err
	}
	if v.AllEyes, err = visionGroup(sums, []string{oneEye, secondEye}, diseases); err != nil {
		return v, err
	}
	for _, d := range diseases {
		if v.ByCopathology[d], err = visionGroup(sums, []string{oneEye}, []string{d}); err != nil {
			return v, err
		}
	}
	outOfLoss := v.Excluded["no-light-perception-before"]
	v.Comparable = enoughKnown(v.Loss.N, v.Eyes-outOfLoss)
	return v, nil
}

func visionGroup(sums map[string]int64, eyes, diseases []string) (VisionGroup, error) {
	of := func(what string) int {
		n := int64(0)
		for _, e := range eyes {
			for _, d := range diseases {
				n += sums[VisionPrefix+e+":"+d+":"+what]
			}
		}
		return int(n)
	}
	g := VisionGroup{Eyes: of("eyes")}
	for _, b := range []struct {
		bands *AcuityBands
		what  string
	}{{&g.Before, "before"}, {&g.After, "after"}, {&g.Unaided, "unaided"}} {
		n := of(b.what)
		b.bands.N = n
		var err error
		if b.bands.At000, err = boundedGood(of(b.what+"-000"), n, g.Eyes-n); err != nil {
			return g, err
		}
		if b.bands.At030, err = boundedGood(of(b.what+"-030"), n, g.Eyes-n); err != nil {
			return g, err
		}
	}
	known := of("loss-known")
	var err error
	g.Loss, err = boundedBad(of("loss"), known, g.Eyes-of("no-light")-known)
	return g, err
}

// members counts a family of quantities by what follows its prefix.
func members(sums map[string]int64, prefix string) map[string]int {
	out := map[string]int{}
	for q, n := range sums {
		if name, ok := strings.CutPrefix(q, prefix); ok {
			out[name] = int(n)
		}
	}
	return out
}

// completeTo is the last day of operation whose window had closed when the record
// was read; empty when nothing is recorded.
func completeTo(asOf archive.AsOf, lastDay int) string {
	if asOf.RecordedAt.IsZero() {
		return ""
	}
	return asOf.RecordedAt.UTC().AddDate(0, 0, -lastDay-1).Format(time.DateOnly)
}
