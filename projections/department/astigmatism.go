package department

import (
	"time"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// Astigmatism is what the operations induced in the cornea, left eyes mirrored:
// settled, and early while the wound heals, never pooled. Excluded counts the eyes
// without a settled one by reason.
//
// Source: Holladay JT, Moran JR, Kezirian GM. J Cataract Refract Surg
// 2001;27:61-79.
type Astigmatism struct {
	Department    string         `json:"department"`
	From          string         `json:"from"`
	To            string         `json:"to"`
	Settled       InducedGroup   `json:"settled"`
	Early         InducedGroup   `json:"early"`
	SettledWindow Window         `json:"settled_window"`
	EarlyWindow   Window         `json:"early_window"`
	Excluded      map[string]int `json:"excluded"`
	Definition    string         `json:"definition"`
	AsOf          archive.AsOf   `json:"as_of"`
}

// InducedGroup is a group of eyes in the double-angle plane, in dioptres. Below 25
// eyes only their number is given.
type InducedGroup struct {
	N          int                   `json:"n"`
	Centroid   *measure.Centroid     `json:"centroid"`
	Confidence *measure.Ellipse      `json:"confidence_ellipse_95"`
	Prediction *measure.Ellipse      `json:"prediction_ellipse_95"`
	Points     []measure.DoubleAngle `json:"points,omitempty"`
}

// ExcludedEyeUnknown is the reason of an eye that can't be mirrored: nothing says
// whether it is the left one.
const ExcludedEyeUnknown = "eye-unknown"

// InducedAstigmatism gives what the operations on the eyes induced.
func (e Eyes) InducedAstigmatism() (Astigmatism, error) {
	a, err := astigmatismOf(e.eyes, e.asOf)
	a.Department, a.From, a.To = e.department, e.period.From.Format(time.DateOnly), e.period.To.Format(time.DateOnly)
	return a, err
}

func astigmatismOf(eyes []outcome.EyeRow, asOf archive.AsOf) (Astigmatism, error) {
	a := Astigmatism{SettledWindow: Window{fold.SettledFromDay, fold.SettledToDay}, EarlyWindow: Window{0, fold.EarlyToDay},
		Excluded: map[string]int{}, Definition: Definition, AsOf: asOf}
	var settled, early []measure.DoubleAngle
	for _, e := range eyes {
		if e.Eye == "" {
			a.Excluded[ExcludedEyeUnknown]++
			continue
		}
		if e.SiaReason != "" {
			a.Excluded[e.SiaReason]++
		}
		settled = appendPoint(settled, e, e.SiaXMicro, e.SiaYMicro)
		early = appendPoint(early, e, e.SiaEarlyXMicro, e.SiaEarlyYMicro)
	}
	var err error
	if a.Settled, err = inducedGroup(settled); err != nil {
		return a, err
	}
	a.Early, err = inducedGroup(early)
	return a, err
}

func appendPoint(points []measure.DoubleAngle, e outcome.EyeRow, x, y *int64) []measure.DoubleAngle {
	if x == nil || y == nil {
		return points
	}
	d := measure.DoubleAngle{X: float64(*x) / 1e6, Y: float64(*y) / 1e6}
	if e.IsLeft() {
		d = d.Mirrored()
	}
	return append(points, d)
}

func inducedGroup(points []measure.DoubleAngle) (InducedGroup, error) {
	g := InducedGroup{N: len(points)}
	if g.N < smallNumber {
		return g, nil
	}
	g.Points = points
	centroid, err := measure.NewCentroid(points)
	if err != nil {
		return g, err
	}
	g.Centroid = &centroid
	for _, part := range []struct {
		into **measure.Ellipse
		make func([]measure.DoubleAngle, float64) (measure.Ellipse, error)
	}{{&g.Confidence, measure.ConfidenceEllipse}, {&g.Prediction, measure.PredictionEllipse}} {
		e, err := part.make(points, 0.95)
		if err := unlessNotToSay(err); err != nil {
			return g, err
		}
		if err == nil {
			*part.into = &e
		}
	}
	return g, nil
}
