package outcome

import (
	"cmp"
	"context"
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
)

//go:embed sql/standing_patients.sql
var standingPatientsSQL string

// What two operations of one patient can show together. Neither is changed or left
// out for it: a person has to look, and to join codes or amend what is wrong.
// Common practice, no source.
const (
	SameEyeTwice       = "same-eye-twice"       // a second primary operation on one eye
	SameDayBothEyes    = "same-day-both-eyes"   // linked, nothing wrong
	EyeOrderDiffers    = "eye-order-differs"    // booked as the first eye after the other one
	AxialLengthDiffers = "axial-length-differs" // more than 0.7 mm between the eyes
	axialLengthsApart  = 700                    // micrometres, usual at most
)

// PatientCheck is a pair of one patient's operations to look at, earlier first.
type PatientCheck struct {
	Code    string    `json:"code"`
	Patient string    `json:"patient"`
	Cases   [2]string `json:"cases"`
	Detail  string    `json:"detail"`
}

// patientEye is what of an eye's row the checks need.
type patientEye struct {
	CaseCode      string
	Patient       string
	Eye           string
	OperatedOn    time.Time
	SecondEye     *bool
	AxialLengthUM *int64
}

func patientEyeOf(e EyeRow) patientEye {
	return patientEye{e.CaseCode, e.Patient, e.Eye, e.OperatedOn, e.SecondEye, e.AxialLengthUM}
}

// PatientChecks looks at the operations of a department's patients in pairs, as of
// a position, and lists those with an operation from one day to another, both
// included. Operations outside the benchmarks take no part.
func PatientChecks(ctx context.Context, tx pgx.Tx, department string, from, to time.Time, asOf archive.AsOf) ([]PatientCheck, error) {
	var late []patientEye
	if asOf.Past {
		cases, err := StraddlingIn(ctx, tx, department, asOf)
		if err != nil {
			return nil, err
		}
		for _, c := range cases {
			if o := OperationOf(c); o.Eye != nil && o.Department == department {
				late = append(late, patientEyeOf(*o.Eye))
			}
		}
	}
	patients := []string{}
	for _, e := range late {
		if in(e, from, to) {
			patients = append(patients, e.Patient)
		}
	}
	eyes, err := pg.Structs[patientEye](ctx, tx, standingPatientsSQL, int64(asOf.Position), department, from, to, patients)
	if err != nil {
		return nil, fmt.Errorf("read eyes of patients: %w", err)
	}
	return patientChecks(append(eyes, late...), from, to), nil
}

func in(e patientEye, from, to time.Time) bool {
	return !e.OperatedOn.Before(from) && !e.OperatedOn.After(to)
}

// patientChecks compares each operation with the patient's earlier ones.
func patientChecks(eyes []patientEye, from, to time.Time) []PatientCheck {
	slices.SortFunc(eyes, func(a, b patientEye) int {
		return cmp.Or(strings.Compare(a.Patient, b.Patient), a.OperatedOn.Compare(b.OperatedOn), strings.Compare(a.CaseCode, b.CaseCode))
	})
	out := []PatientCheck{}
	for i, later := range eyes {
		for j := i - 1; j >= 0 && eyes[j].Patient == later.Patient; j-- {
			if earlier := eyes[j]; later.Patient != "" && (in(earlier, from, to) || in(later, from, to)) {
				out = append(out, pairChecks(earlier, later)...)
			}
		}
	}
	return out
}

func pairChecks(earlier, later patientEye) []PatientCheck {
	var out []PatientCheck
	note := func(code, detail string) {
		out = append(out, PatientCheck{code, later.Patient, [2]string{earlier.CaseCode, later.CaseCode}, detail})
	}
	sameDay := earlier.OperatedOn.Equal(later.OperatedOn)
	switch {
	case earlier.Eye == "" || later.Eye == "":
		return nil
	case earlier.Eye == later.Eye:
		note(SameEyeTwice, "two operations on the "+later.Eye+" eye: codes to join, a wrong eye, or a second operation")
		return out
	case sameDay:
		note(SameDayBothEyes, "both eyes on one day")
	case later.SecondEye != nil && !*later.SecondEye:
		note(EyeOrderDiffers, "booked as the first eye, after the "+earlier.Eye+" eye")
	}
	if sameDay && later.SecondEye != nil && earlier.SecondEye != nil && *later.SecondEye == *earlier.SecondEye {
		note(EyeOrderDiffers, "both eyes on one day, both booked as the same of the two")
	}
	if !sameDay && earlier.SecondEye != nil && *earlier.SecondEye {
		note(EyeOrderDiffers, "booked as the second eye, before the "+later.Eye+" eye")
	}
	if a, b := earlier.AxialLengthUM, later.AxialLengthUM; a != nil && b != nil && max(*a-*b, *b-*a) > axialLengthsApart {
		note(AxialLengthDiffers, "axial lengths more than 0.7 mm apart, usual up to 0.7")
	}
	return out
}

// IsLeft says whether the eye is the left one.
func (e EyeRow) IsLeft() bool { return e.Eye == string(events.EyeLeft) }
