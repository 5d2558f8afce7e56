package department

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
)

// FunnelRequest asks for a funnel of Outcome among some departments' operations of
// a period. Surgeons' funnels are of capsule rupture and unplanned take-over, under
// ViewResponsible or ViewFirstOperator, in which each operation is one surgeon's.
type FunnelRequest struct {
	Outcome     string
	BySurgeon   bool
	View        string // of surgeons; empty is ViewFirstOperator
	Departments []string
	Period      Period
	Suppressed  bool // the funnel leaves the departments
}

// FunnelViews are the views under which no operation is in two units.
var FunnelViews = []string{ViewResponsible, ViewFirstOperator}

// FunnelOutcomes lists what departments are placed on a funnel by; of surgeons only
// the first two, since a surgeon's own share in the others is small.
//
// Source: Hughes R et al. Br J Ophthalmol 2021. 10.1136/bjophthalmol-2021-320231,
// for refraction.
var FunnelOutcomes = []string{string(events.OutcomeCapsuleRupture), string(events.OutcomeUnplannedTakeover),
	string(events.OutcomeVisualLoss), string(events.OutcomeRefractionMiss)}

// SurgeonOutcomes are those of FunnelOutcomes that a surgeon's funnel takes.
var SurgeonOutcomes = FunnelOutcomes[:2]

// Funnel places units among exact limits about a target, by code: never a ranking,
// and a place outside is no verdict. Limits is nil when no unit has enough cases or
// there is no line to hold them against, and Why says so.
type Funnel struct {
	Outcome    string                 `json:"outcome"`
	By         string                 `json:"by"`
	View       string                 `json:"view,omitempty"`
	From       string                 `json:"from"`
	To         string                 `json:"to"`
	AsOf       archive.AsOf           `json:"as_of"`
	Definition string                 `json:"definition"`
	TargetRule string                 `json:"target_rule"`
	Units      int                    `json:"units"`
	Events     *int                   `json:"events"`
	N          *int                   `json:"n"`
	Why        string                 `json:"why,omitempty"`
	Limits     *measure.Funnel        `json:"funnel"`
	Adjusted   []AdjustedUnit         `json:"adjusted"` // of the units shown
	Reference  *measure.Reference     `json:"reference,omitempty"`
	Excluded   map[string]*int        `json:"excluded"`
	LeftOut    LeftOut                `json:"left_out"`   // of all the departments asked for
	Suppressed []string               `json:"suppressed"` // units held back for their small numbers, as in Figures
	list       map[string]*funnelUnit // by code
	events, n  int
	leaves     bool
}

// AdjustedUnit is a unit's rate adjusted for its own case mix, and the exact
// chance, were each of its cases to carry its expected risk, of as many events or
// more, and of as few or fewer (the Poisson-binomial distribution of that very
// list). The chances are nil above 10,000 cases.
type AdjustedUnit struct {
	Code          string   `json:"code"`
	Expected      float64  `json:"expected"`
	AdjustedRate  *float64 `json:"adjusted_rate"`
	ChanceAtLeast *float64 `json:"chance_at_least"`
	ChanceAtMost  *float64 `json:"chance_at_most"`
}

// Rules of the target.
const (
	TargetExpected = "mean-expected" // what the reference population would have had with these eyes
	TargetPooled   = "pooled"        // all units together: there is no outside reference
)

// Reasons for which a case is in no unit, besides those of the operations and eyes.
const (
	ExcludedNoSurgeon       = "no-responsible-consultant"
	ExcludedTakeoverUnknown = "takeover-unknown"
)

// maxTailCases bounds the list of an exact chance: the work grows with its square.
const maxTailCases = 10_000

// beyondTarget is the prediction error, in thousandths of a dioptre, above which a
// refraction is a miss: outside of the benchmark's 1.00 D.
//
// Source: Gale RP, Saldana M, Johnston RL, Zuberbuhler B, McKibbin M. Eye
// 2009;23:149-152.
const beyondTarget = 1000

type funnelUnit struct {
	events, n int
	nano      int64
	risks     []int64 // x 10^9
}

// ReadFunnel gives the funnel of a request as of a position. It fails with ErrMonths
// when one that leaves the departments is asked of other than whole months.
func ReadFunnel(ctx context.Context, tx pgx.Tx, r FunnelRequest, asOf archive.AsOf) (Funnel, error) {
	f := newFunnel(r, asOf)
	if r.Suppressed && !r.Period.wholeMonths() {
		return f, ErrMonths
	}
	departments := slices.Compact(slices.Sorted(slices.Values(r.Departments)))
	left, err := CountLeftOut(ctx, tx, departments, asOf)
	if err != nil {
		return f, err
	}
	for _, code := range departments {
		f.LeftOut = addLeftOut(f.LeftOut, left[code])
		switch r.Outcome {
		case string(events.OutcomeVisualLoss), string(events.OutcomeRefractionMiss):
			operations, err := outcome.Operations(ctx, tx, code, r.Period.From, r.Period.To, asOf)
			if err != nil {
				return f, err
			}
			for _, o := range operations {
				f.addEyeOf(o)
			}
		default:
			rows, err := outcome.Rows(ctx, tx, code, r.Period.From, r.Period.To, asOf)
			if err != nil {
				return f, err
			}
			for _, row := range rows {
				f.addOperation(row)
			}
		}
		if !r.BySurgeon {
			f.of(code) // a department without a case is a unit that is held back
		}
	}
	return f, f.place()
}

func newFunnel(r FunnelRequest, asOf archive.AsOf) Funnel {
	f := Funnel{Outcome: r.Outcome, By: "department", From: r.Period.From.Format(time.DateOnly), To: r.Period.To.Format(time.DateOnly), AsOf: asOf, Definition: Definition,
		TargetRule: TargetPooled, Adjusted: []AdjustedUnit{}, Excluded: map[string]*int{}, Suppressed: []string{}, LeftOut: addLeftOut(), list: map[string]*funnelUnit{}, leaves: r.Suppressed}
	if r.BySurgeon {
		f.By, f.View = "surgeon", cmp.Or(r.View, ViewFirstOperator)
	}
	if f.isRupture() {
		reference := measure.Reference2016To2022()
		f.TargetRule, f.Reference = TargetExpected, &reference
	}
	return f
}

func (f *Funnel) isRupture() bool { return f.Outcome == string(events.OutcomeCapsuleRupture) }

func (f *Funnel) of(code string) *funnelUnit {
	if f.list[code] == nil {
		f.list[code] = &funnelUnit{}
	}
	return f.list[code]
}

func (f *Funnel) addOperation(r outcome.Row) {
	code, event, reason := r.Department, r.Rupture, ExcludedReason(r)
	switch f.View {
	case ViewResponsible:
		if code = r.ResponsibleConsultant; code == "" && reason == "" {
			reason = ExcludedNoSurgeon
		}
	case ViewFirstOperator:
		code = r.FirstOperator
	}
	if !f.isRupture() {
		if r.TakenOver == nil && reason == "" {
			reason = ExcludedTakeoverUnknown
		}
		event = r.TakenOver != nil && *r.TakenOver
	}
	if reason != "" {
		f.leaveOut(reason)
		return
	}
	u := f.add(code, event)
	u.nano += r.ExpectedNano
	u.risks = append(u.risks, r.ExpectedNano)
}

// addEyeOf takes one eye of each patient, by the rules of vision and of refraction.
func (f *Funnel) addEyeOf(o outcome.Operation) {
	if reason := ExcludedReason(o.Row); reason != "" {
		f.leaveOut(reason)
		return
	}
	e := *o.Eye
	if f.Outcome == string(events.OutcomeVisualLoss) {
		switch {
		case e.IsSecond():
			f.leaveOut(OutSecondEye)
		case e.VisualLoss == nil:
			f.leaveOut(e.VisionReason)
		default:
			f.add(e.Department, *e.VisualLoss)
		}
		return
	}
	if reason := outOfMain(e); reason != "" {
		f.leaveOut(reason)
		return
	}
	off := *e.ErrorThousandths
	f.add(e.Department, max(off, -off) > beyondTarget)
}

func (f *Funnel) leaveOut(reason string) {
	if f.Excluded[reason] == nil {
		f.Excluded[reason] = new(int)
	}
	*f.Excluded[reason]++
}

func (f *Funnel) add(code string, event bool) *funnelUnit {
	u := f.of(code)
	u.n++
	f.n++
	if event {
		u.events++
		f.events++
	}
	return u
}

// place draws the limits and works out what is adjusted.
func (f *Funnel) place() error {
	codes := make([]string, 0, len(f.list))
	for code := range f.list {
		codes = append(codes, code)
	}
	slices.Sort(codes)
	f.Units = len(codes)
	for reason, n := range f.Excluded {
		if f.leaves && small(*n) {
			f.Excluded[reason] = nil
		}
	}
	request := measure.FunnelRequest{MinimumCases: measure.FunnelMinimum}
	hidden := f.hidden(codes)
	nano := int64(0)
	for _, code := range codes {
		u := f.list[code]
		nano += u.nano
		if hidden[code] {
			f.Suppressed = append(f.Suppressed, code)
			continue
		}
		request.Units = append(request.Units, measure.Unit{Code: code, Events: u.events, N: u.n})
	}
	switch {
	case f.n == 0:
		f.Why = "no cases"
		return nil
	case f.isRupture():
		request.Target = float64(nano) / 1e9 / float64(f.n)
	case f.Events == nil || f.N == nil:
		f.Why = "the numbers are too small to leave the departments"
		return nil
	case f.events == 0 || f.events == f.n:
		f.Why = "no line to hold units against: all of them together have no event, or nothing else"
		return nil
	default:
		request.Target = float64(f.events) / float64(f.n)
	}
	limits, err := measure.NewFunnel(request)
	if errors.Is(err, measure.ErrNoCases) {
		f.Why = fmt.Sprintf("no unit has %d cases", request.MinimumCases)
		return nil
	}
	if err != nil {
		return fmt.Errorf("funnel of %s: %w", f.Outcome, err)
	}
	most := request.MinimumCases
	for _, p := range limits.Points {
		most = max(most, p.N)
	}
	if limits.Curve, err = measure.FunnelCurve(limits.Target, request.MinimumCases, most); err != nil {
		return fmt.Errorf("limits of the funnel of %s: %w", f.Outcome, err)
	}
	f.Limits = &limits
	if !f.isRupture() {
		return nil
	}
	// One reference for all: it has to be of the model's own population.
	if _, err := measure.AdjustedRate(f.events, float64(nano)/1e9, measure.DefaultModel(), *f.Reference); err != nil {
		return fmt.Errorf("adjusted rates of %s: %w", f.Outcome, err)
	}
	for _, p := range limits.Points {
		a, err := f.list[p.Code].adjusted(p.Code, *f.Reference)
		if err != nil {
			return fmt.Errorf("expected events of %s: %w", p.Code, err)
		}
		f.Adjusted = append(f.Adjusted, a)
	}
	return nil
}

// hidden says which units are held back, and sets what is shown of all together.
// A funnel that stays in its departments holds back none.
func (f *Funnel) hidden(codes []string) map[string]bool {
	f.Events, f.N = &f.events, &f.n
	out := map[string]bool{}
	if !f.leaves {
		return out
	}
	cells := make([]map[figureCell]int, len(codes))
	for i, code := range codes {
		cells[i] = map[figureCell]int{cellTakeoverN: f.list[code].n, cellTakeover: f.list[code].events}
	}
	hidden := suppress(cells, map[figureCell]int{cellTakeoverN: f.n, cellTakeover: f.events})
	for i, code := range codes {
		out[code] = hidden[i][cellTakeoverN] || hidden[i][cellTakeover]
	}
	if hidden[len(codes)][cellTakeover] {
		f.Events = nil
	}
	if hidden[len(codes)][cellTakeoverN] {
		f.N = nil
	}
	return out
}

func (u *funnelUnit) adjusted(code string, reference measure.Reference) (AdjustedUnit, error) {
	a := AdjustedUnit{Code: code, Expected: float64(u.nano) / 1e9}
	if a.Expected > 0 {
		rate := float64(u.events) / a.Expected * reference.Rate
		a.AdjustedRate = &rate
	}
	if u.n > maxTailCases {
		return a, nil
	}
	slices.Sort(u.risks) // one order of multiplying, whatever that of the rows
	risks := make([]float64, u.n)
	for i, nano := range u.risks {
		risks[i] = float64(nano) / 1e9
	}
	d, err := measure.NewPoissonBinomial(risks)
	if err != nil {
		return a, err
	}
	least, most := d.AtLeast(u.events), d.AtMost(u.events)
	a.ChanceAtLeast, a.ChanceAtMost = &least, &most
	return a, nil
}
