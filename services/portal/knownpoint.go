package portal

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lensledger/projections/feedback"
)

// knownPoint is a teaching point that a reviewer may choose by its code.
type knownPoint struct {
	Code     string
	Why      string // where it is known from; empty for one of earlier cases
	Strength bool   // chosen as what went well
	Improve  bool   // chosen as what to work on
	rank     int
}

// maxKnownPoints bounds the list to choose from; other codes can be typed.
const maxKnownPoints = 24

// knownPoints lists the codes noted in the case, those advised before, and others
// from the surgeon's record, in this order and then by code.
func knownPoints(s *feedback.Stage, e *feedback.Evidence) []knownPoint {
	if s == nil {
		return nil
	}
	var out []knownPoint
	add := func(code, why string, rank int) {
		if !slices.ContainsFunc(out, func(k knownPoint) bool { return k.Code == code }) {
			out = append(out, knownPoint{Code: code, Why: why, rank: rank})
		}
	}
	for _, g := range s.Points {
		for _, p := range g.Points {
			add(p.TeachingPoint, "noted in this case, "+polarityWords(p.Polarity), 0)
		}
	}
	for _, p := range s.LastTime {
		add(p.TeachingPoint, "advised before", 1)
	}
	if e != nil {
		for _, p := range e.Points {
			add(p.TeachingPoint, "", 2)
		}
	}
	slices.SortFunc(out, func(a, b knownPoint) int { return cmp.Or(a.rank-b.rank, cmp.Compare(a.Code, b.Code)) })
	return out[:min(len(out), maxKnownPoints)]
}

// offer gives the form the points to choose from, and marks those chosen.
func (f *caseReviewForm) offer(known []knownPoint) {
	f.Known = known
	for field, codes := range f.chosen {
		for _, code := range codes {
			i := slices.IndexFunc(f.Known, func(k knownPoint) bool { return k.Code == code })
			if i < 0 {
				i = len(f.Known)
				f.Known = append(f.Known, knownPoint{Code: code})
			}
			if field == fieldStrength {
				f.Known[i].Strength = true
			} else {
				f.Known[i].Improve = true
			}
		}
	}
}

// codesOf reads the codes that were chosen and those that were typed, each once, and
// says what is no code.
func codesOf(chosen []string, typed string) (codes, wrong []string) {
	split := func(c rune) bool { return strings.ContainsRune(",; \t\r\n", c) }
	for _, word := range append(slices.Clone(chosen), strings.FieldsFunc(typed, split)...) {
		switch {
		case !caseCode.MatchString(word):
			wrong = append(wrong, fmt.Sprintf("“%s” isn't a code of a teaching point: letters, digits, - and _, at most 40.", word))
		case !slices.Contains(codes, word):
			codes = append(codes, word)
		}
	}
	return codes, wrong
}
