package department

import (
	"context"
	_ "embed"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

//go:embed sql/surgeon_eyes.sql
var surgeonEyesSQL string

// EyesOfSurgeon is what the eyes came to whose operations enter one surgeon's
// charts: whole cases and those in which the surgeon was stopped unplanned, so that
// a rescue hides nothing. The formulas are those of a department. They are for the
// surgeon and the trainer: a surgeon's own effect on refraction is small, and
// nobody is compared with anybody.
type EyesOfSurgeon struct {
	Surgeon    string     `json:"surgeon"`
	Operations int        `json:"operations"` // that are over and enter the charts
	Vision     Vision     `json:"vision"`
	Refraction Refraction `json:"refraction"`

	// What the operations induced in the cornea, as Astigmatism has it.
	Settled       InducedGroup   `json:"settled"`
	Early         InducedGroup   `json:"early"`
	SettledWindow Window         `json:"settled_window"`
	EarlyWindow   Window         `json:"early_window"`
	NotInduced    map[string]int `json:"astigmatism_excluded"`

	AsOf       archive.AsOf `json:"as_of"`
	Definition string       `json:"definition"`
}

// ReadEyesOfSurgeon gives a surgeon's outcomes as of a position. The reader has to
// see the whole of the surgeon: a part would mislead.
func ReadEyesOfSurgeon(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (EyesOfSurgeon, error) {
	eyes, err := pg.Structs[outcome.EyeRow](ctx, tx, surgeonEyesSQL, surgeon, int64(asOf.Position))
	if err != nil {
		return EyesOfSurgeon{}, fmt.Errorf("read a surgeon's eyes: %w", err)
	}
	if asOf.Past {
		straddling, err := outcome.StraddlingOf(ctx, tx, surgeon, asOf)
		if err != nil {
			return EyesOfSurgeon{}, err
		}
		for _, c := range straddling {
			if o := outcome.OperationOf(c); o.Eye != nil && entersCharts(c, o.Row, surgeon) {
				eyes = append(eyes, *o.Eye)
			}
		}
	}
	// In one order whatever the position, for sums of floating-point numbers.
	slices.SortFunc(eyes, func(a, b outcome.EyeRow) int { return strings.Compare(a.CaseCode, b.CaseCode) })
	return eyesOfSurgeon(surgeon, eyes, asOf)
}

// entersCharts says whether an operation is over and enters the surgeon's charts.
func entersCharts(c fold.Case, row outcome.Row, surgeon string) bool {
	return slices.ContainsFunc(learning.EntriesOf(c, row), func(e learning.Entry) bool {
		return e.Surgeon == surgeon && e.Enters && e.OutcomeKnown
	})
}

func eyesOfSurgeon(surgeon string, eyes []outcome.EyeRow, asOf archive.AsOf) (EyesOfSurgeon, error) {
	out := EyesOfSurgeon{Surgeon: surgeon, Operations: len(eyes), AsOf: asOf, Definition: Definition}
	sums := map[string]int64{Operations: int64(len(eyes))}
	add := func(quantity string, n int64) { sums[quantity] += n }
	for _, e := range eyes {
		addEye(add, e)
	}
	var err error
	if out.Vision, err = visionOf(sums, asOf); err != nil {
		return out, err
	}
	if out.Refraction, err = refractionOf(sums, asOf); err != nil {
		return out, err
	}
	a, err := astigmatismOf(eyes, asOf)
	out.Settled, out.Early, out.SettledWindow, out.EarlyWindow, out.NotInduced = a.Settled, a.Early, a.SettledWindow, a.EarlyWindow, a.Excluded
	return out, err
}
