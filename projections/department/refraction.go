package department

import (
	"maps"
	"math"
	"slices"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
)

// Refraction is how far eyes ended from what was predicted for the implant, and
// from what was aimed at: two figures. The main figure is of uncomplicated eyes
// with the implant in the bag that see 6/12 or better, one eye a patient.
// Excluded counts every other operation once, by reason; Missing of these could
// still belong to the figure if more were known. A published figure is to be
// compared only under its own window and its own choice of eyes.
//
// Source: the choice of eyes, Gale RP, Saldana M, Johnston RL, Zuberbuhler B,
// McKibbin M. Eye 2009;23:149-152; the shares are counted, never derived, Wang L,
// Koch DD, Hill W, Abulafia A. J Cataract Refract Surg 2017;43:999-1002 (citation
// from memory).
type Refraction struct {
	RefractionGroup
	BothEyes   RefractionGroup `json:"both_eyes"` // the same choice, second eyes too
	AllEyes    RefractionGroup `json:"all_eyes"`  // every eye with a prediction error
	Excluded   map[string]int  `json:"excluded"`
	ExcludedOf map[string]int  `json:"all_eyes_excluded"`
	Window     Window          `json:"window"`
	CompleteTo string          `json:"complete_to"`
	Comparable bool            `json:"comparable"`
}

// RefractionGroup sums up the prediction errors of a group of eyes in dioptres,
// negative is more myopic than predicted. Below 25 eyes the numbers stand alone.
type RefractionGroup struct {
	N              int         `json:"n"`
	Within025      Share       `json:"within_0_25_d"`
	Within050      Share       `json:"within_0_50_d"`
	Within100      Share       `json:"within_1_00_d"`
	Within200      Share       `json:"within_2_00_d"`
	Mean           *float64    `json:"mean_d"`
	SD             *float64    `json:"sd_d"`
	MeanAbsolute   *float64    `json:"mean_absolute_d"`
	MedianAbsolute *float64    `json:"median_absolute_d"`
	Target         TargetGroup `json:"against_target"`

	// Classes count the errors for drawing; nil below 25 eyes, or where sums came
	// without the sizes.
	Classes []ErrorClass `json:"error_classes,omitempty"`
}

// TargetGroup sums up the errors against the refraction aimed at.
type TargetGroup struct {
	N         int      `json:"n"`
	Within050 Share    `json:"within_0_50_d"`
	Within100 Share    `json:"within_1_00_d"`
	Mean      *float64 `json:"mean_d"`
}

func refractionOf(sums map[string]int64, asOf archive.AsOf) (Refraction, error) {
	r := Refraction{Excluded: members(sums, RefractionOutPrefix), ExcludedOf: members(sums, RefractionLackPrefix),
		Window: Window{fold.RefractionFromDay, fold.RefractionToDay}, CompleteTo: completeTo(asOf, fold.RefractionToDay)}
	lack := 0
	for _, n := range r.ExcludedOf {
		lack += n
	}
	var err error
	if r.RefractionGroup, err = refractionGroup(sums, int(sums[RefractionMayPrefix+mainEyes]), mainEyes); err != nil {
		return r, err
	}
	if r.BothEyes, err = refractionGroup(sums, 0, mainEyes, secondMain); err != nil {
		return r, err
	}
	if r.AllEyes, err = refractionGroup(sums, lack, mainEyes, secondMain, otherEyes); err != nil {
		return r, err
	}
	r.Comparable = enoughKnown(int(sums[RefractionKnown]), int(sums[Operations]))
	return r, nil
}

// refractionGroup reads the errors of some groups of eyes; missing bounds the
// shares when it is more than 0.
func refractionGroup(sums map[string]int64, missing int, groups ...string) (RefractionGroup, error) {
	sum := func(prefix, what string) int64 {
		n := int64(0)
		for _, g := range groups {
			n += sums[prefix+g+":"+what]
		}
		return n
	}
	errors := func(what string) int64 { return sum(ErrorSumPrefix, what) }
	out := RefractionGroup{N: int(errors("n"))}
	var err error
	for _, w := range []struct {
		share *Share
		edge  string
	}{{&out.Within025, "025"}, {&out.Within050, "050"}, {&out.Within100, "100"}, {&out.Within200, "200"}} {
		if *w.share, err = boundedGood(int(errors(w.edge)), out.N, missing); err != nil {
			return out, err
		}
		if missing == 0 {
			w.share.Bounds = nil
		}
	}
	if out.N >= smallNumber {
		out.Mean, out.SD, out.MeanAbsolute = dioptres(errors("n"), errors("sum"), errors("squares"), errors("absolute"))
		sizes, err := errorSizes(sums, groups)
		if err != nil {
			return out, err
		}
		out.MedianAbsolute, out.Classes = medianAbsolute(sizes), errorClasses(sizes)
	}
	t := TargetGroup{N: int(sum(TargetPrefix, "n"))}
	if t.Within050, err = shareOf(int(sum(TargetPrefix, "050")), t.N); err != nil {
		return out, err
	}
	if t.Within100, err = shareOf(int(sum(TargetPrefix, "100")), t.N); err != nil {
		return out, err
	}
	if t.N >= smallNumber {
		mean := float64(sum(TargetPrefix, "sum")) / float64(1000*t.N)
		t.Mean = &mean
	}
	out.Target = t
	return out, nil
}

// dioptres gives mean, standard deviation (n-1) and mean absolute error of n
// errors, two or more, from their exact sums in thousandths of a dioptre.
func dioptres(n, sum, squares, absolute int64) (mean, sd, meanAbsolute *float64) {
	count, total := float64(n), float64(sum)
	m := total / count / 1000
	spread := math.Sqrt((float64(squares)-float64(total*total/count))/(count-1)) / 1000
	a := float64(absolute) / count / 1000
	return &m, &spread, &a
}

// medianAbsolute is the median size of errors in dioptres, nil without any. Counted
// by size in thousandths of a dioptre it is as exact as of the list of them, however
// many months are added up.
func medianAbsolute(sizes map[int64]int64) *float64 {
	if len(sizes) == 0 {
		return nil
	}
	d := distribution{count: map[int64]int64{}}
	for off, n := range sizes {
		d.n += n
		d.count[max(off, -off)] += n
	}
	d.sizes = slices.Sorted(maps.Keys(d.count))
	median := d.median() / 1000
	return &median
}

// distribution counts errors by their size in thousandths of a dioptre.
type distribution struct {
	n     int64
	sizes []int64 // sorted
	count map[int64]int64
}

// median is the middle one, or half-way between the two in the middle.
func (d distribution) median() float64 {
	at := func(place int64) int64 { // counted from 0
		for _, s := range d.sizes {
			if place -= d.count[s]; place < 0 {
				return s
			}
		}
		return 0
	}
	return float64(at((d.n-1)/2)+at(d.n/2)) / 2
}
