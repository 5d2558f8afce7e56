package department

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/measure"
)

// ErrMonths means that figures were asked for other than whole months.
var ErrMonths = errors.New("figures are of whole months: from the first day of one to the last day of one")

// AllDepartments is the code of the row that adds up the others; no department
// has it.
const AllDepartments = "*"

// Figures are some departments' figures side by side, in the order of their codes:
// never a ranking. What leaves a department is Suppressed; a number that isn't
// shown is null, and so is each that would give it away.
type Figures struct {
	From        string            `json:"from"`
	To          string            `json:"to"`
	By          string            `json:"by"`
	AsOf        archive.AsOf      `json:"as_of"`
	Definition  string            `json:"definition"`
	Reference   measure.Reference `json:"reference"`
	RiskModel   string            `json:"risk_model"`
	RiskVersion string            `json:"risk_model_version"`
	Rows        []FigureRow       `json:"rows"`
	Total       FigureRow         `json:"total"`
	Excluded    map[string]*int   `json:"excluded"` // operations of all departments, by reason
	Suppression SuppressionRule   `json:"suppression"`
	LeftOut     LeftOut           `json:"left_out"` // of all departments together
	Suppressed  []Suppressed      `json:"suppressed"`
	among       []string          // all departments of whoever asks: what is held back was chosen among them
}

// FigureRow is one department, or all of them.
type FigureRow struct {
	Department     string              `json:"department"`
	Operations     *int                `json:"operations"`
	CapsuleRupture ShownRupture        `json:"capsule_rupture"`
	Takeover       ShownFigure         `json:"unplanned_takeover"`
	Vision         ShownVision         `json:"vision"`
	Refraction     ShownRefraction     `json:"refraction"`
	Complications  ShownComplications  `json:"complications"`
	Completeness   ShownCompleteness   `json:"completeness"`
	Excluded       map[string]*int     `json:"excluded"`
	LeftOut        LeftOut             `json:"left_out"`
	hidden         map[figureCell]bool // what of the row isn't shown
}

// figureQuantities are the sums that rows of figures are made of: they, and no
// others, are also summed by quarter.
var figureQuantities = func() []string {
	list := []string{Operations, Ruptures, ExpectedNano, Takeovers, TakeoverKnown, Finished, AcuityBothKnown, RefractionKnown, Uncomplicated,
		ReturnedToTheatre, UnplannedAttending, Endophthalmitis42}
	for _, what := range []string{"n", "050", "100"} {
		list = append(list, ErrorSumPrefix+mainEyes+":"+what)
	}
	for _, disease := range []string{WithCopathology, WithoutCopathology, UnknownCopathology} {
		for _, what := range []string{"eyes", "after", "after-000", "after-030", "loss-known", "loss"} {
			list = append(list, VisionPrefix+oneEye+":"+disease+":"+what)
		}
	}
	for _, reason := range excludedReasons {
		list = append(list, ExcludedPrefix+reason)
	}
	return list
}()

var isFigureQuantity = func() map[string]bool {
	set := make(map[string]bool, len(figureQuantities))
	for _, q := range figureQuantities {
		set[q] = true
	}
	return set
}()

// ShownFigure is a crude rate; what isn't shown is null. Below 25 cases the counts
// stand alone.
type ShownFigure struct {
	Events   *int              `json:"events"`
	N        *int              `json:"n"`
	Rate     *float64          `json:"rate"`
	Interval *measure.Interval `json:"interval_95"`
}

// ShownShare is a number of cases and their share.
type ShownShare struct {
	Count    *int              `json:"count"`
	N        *int              `json:"n"`
	Share    *float64          `json:"share"`
	Interval *measure.Interval `json:"interval_95"`
}

// ShownRupture is the capsule rupture figure, crude and adjusted.
type ShownRupture struct {
	ShownFigure
	Expected     *float64          `json:"expected"`
	AdjustedRate *float64          `json:"adjusted_rate"`
	AdjustedCI   *measure.Interval `json:"adjusted_interval_95"`
}

// ShownVision is the vision of one eye a patient.
type ShownVision struct {
	Eyes  *int        `json:"eyes"`
	At000 ShownShare  `json:"at_0_00_or_better"` // after the operation, of those measured
	At030 ShownShare  `json:"at_0_30_or_better"`
	Loss  ShownFigure `json:"visual_loss"`
}

// ShownRefraction is the main figure of refraction.
type ShownRefraction struct {
	N         *int       `json:"n"`
	Within050 ShownShare `json:"within_0_50_d"`
	Within100 ShownShare `json:"within_1_00_d"`
}

// ShownComplications counts operations with any complication in theatre, and what
// followed. The latter depend on follow-up: their rates are lower bounds.
type ShownComplications struct {
	Any                 ShownFigure `json:"any"`
	Returned            ShownFigure `json:"returned_to_theatre"`
	UnplannedAttendance ShownFigure `json:"unplanned_attendance"`
	Endophthalmitis     ShownFigure `json:"endophthalmitis"`
}

// ShownCompleteness is in how many operations something is known.
type ShownCompleteness struct {
	OperatingTime ShownFigure `json:"operating_time_known"`
	AcuityBoth    ShownFigure `json:"acuity_before_and_after_known"`
	Refraction    ShownFigure `json:"refraction_known"`
}

// ErrChosen means that a department was chosen that isn't one of the caller's.
var ErrChosen = errors.New("a department was chosen that isn't one of yours")

// ReadFigures gives the figures of some departments for whole months as of a
// position. suppressed says that they leave the departments. Of departments, which
// are all of whoever asks, the chosen ones are shown; none means all. What is held
// back is settled among all of them before any is chosen, and a total of some is
// shown only where each of its parts is: so two choices that overlap say no more
// than the table of all, and can't be subtracted from one another.
func ReadFigures(ctx context.Context, tx pgx.Tx, departments []string, p Period, asOf archive.AsOf, suppressed bool, chosen ...string) (Figures, error) {
	if !p.wholeMonths() {
		return Figures{}, ErrMonths
	}
	departments = sortedOnce(departments)
	chosen, err := choose(departments, chosen)
	if err != nil {
		return Figures{}, err
	}
	list, err := sumsOfMany(ctx, tx, departments, p, asOf)
	if err != nil {
		return Figures{}, err
	}
	f, err := figuresOf(departments, list, p, asOf, suppressed, chosen...)
	if err != nil {
		return f, err
	}
	left, err := CountLeftOut(ctx, tx, chosen, asOf)
	if err != nil {
		return f, err
	}
	for i, row := range f.Rows {
		f.Rows[i].LeftOut = left[row.Department]
		f.Total.LeftOut = addLeftOut(f.Total.LeftOut, left[row.Department])
	}
	f.LeftOut = f.Total.LeftOut
	return f, nil
}

func sortedOnce(codes []string) []string {
	return slices.Compact(slices.Sorted(slices.Values(codes)))
}

// choose gives the chosen departments by code: all of them where none is chosen.
func choose(departments, chosen []string) ([]string, error) {
	if len(chosen) == 0 {
		return departments, nil
	}
	for _, code := range chosen {
		if !slices.Contains(departments, code) {
			return nil, fmt.Errorf("%w: found %q", ErrChosen, code)
		}
	}
	return sortedOnce(chosen), nil
}

// figuresOf makes the figures of the chosen ones of some departments from each
// department's sums; none chosen means all.
func figuresOf(departments []string, list []map[string]int64, p Period, asOf archive.AsOf, suppressed bool, chosen ...string) (Figures, error) {
	model, reference := measure.DefaultModel(), measure.Reference2016To2022()
	f := Figures{From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), By: "department", AsOf: asOf, Definition: Definition,
		Reference: reference, RiskModel: model.Name, RiskVersion: model.Version, LeftOut: addLeftOut(),
		Rows: []FigureRow{}, Suppression: suppressionRule(suppressed), Suppressed: []Suppressed{}, among: departments}
	table, err := tableOf(departments, list, p, asOf, suppressed)
	if err != nil {
		return f, err
	}
	if len(chosen) > 0 && len(chosen) < len(departments) {
		if table, err = table.only(departments, list, chosen, p, asOf); err != nil {
			return f, err
		}
	}
	for i, b := range table.benchmarks {
		row, err := rowOf(b, table.hidden[i])
		if err != nil {
			return f, err
		}
		f.Suppressed = append(f.Suppressed, suppressedIn(row)...)
		f.Rows = append(f.Rows, row)
	}
	last := len(f.Rows) - 1
	f.Rows, f.Total = f.Rows[:last:last], f.Rows[last]
	for _, row := range f.Rows {
		if row.Operations == nil { // its expected ruptures would follow, and from them about how many operations
			f.Total.CapsuleRupture.Expected, f.Total.CapsuleRupture.AdjustedRate, f.Total.CapsuleRupture.AdjustedCI = nil, nil, nil
		}
	}
	f.Excluded = f.Total.Excluded
	return f, nil
}

// figureTable is departments' benchmarks, last those of all together, and what isn't
// shown of each.
type figureTable struct {
	benchmarks []Benchmarks
	hidden     []map[figureCell]bool
}

func tableOf(departments []string, list []map[string]int64, p Period, asOf archive.AsOf, suppressed bool) (figureTable, error) {
	total := map[string]int64{}
	var t figureTable
	for i, code := range departments {
		for quantity, n := range list[i] {
			total[quantity] += n
		}
		b, err := benchmarks(code, p, asOf, list[i])
		if err != nil {
			return t, fmt.Errorf("figures of %s: %w", code, err)
		}
		t.benchmarks = append(t.benchmarks, b)
	}
	whole, err := benchmarks(AllDepartments, p, asOf, total)
	if err != nil {
		return t, fmt.Errorf("figures of all departments: %w", err)
	}
	t.benchmarks = append(t.benchmarks, whole)
	t.hidden = make([]map[figureCell]bool, len(t.benchmarks))
	if suppressed {
		cells := make([]map[figureCell]int, len(t.benchmarks))
		for i, b := range t.benchmarks {
			cells[i] = cellsOf(b)
		}
		t.hidden = suppress(cells[:len(cells)-1], cells[len(cells)-1])
	}
	return t, nil
}

// only leaves the chosen departments in a table, with a total of what is shown of
// each.
func (t figureTable) only(departments []string, list []map[string]int64, chosen []string, p Period, asOf archive.AsOf) (figureTable, error) {
	var out figureTable
	total, hidden := map[string]int64{}, map[figureCell]bool{}
	for i, code := range departments {
		if !slices.Contains(chosen, code) {
			continue
		}
		out.benchmarks, out.hidden = append(out.benchmarks, t.benchmarks[i]), append(out.hidden, t.hidden[i])
		for quantity, n := range list[i] {
			total[quantity] += n
		}
		for cell, isHidden := range t.hidden[i] {
			hidden[cell] = hidden[cell] || isHidden
		}
	}
	whole, err := benchmarks(AllDepartments, p, asOf, total)
	if err != nil {
		return out, fmt.Errorf("figures of the chosen departments: %w", err)
	}
	out.benchmarks, out.hidden = append(out.benchmarks, whole), append(out.hidden, hidden)
	return out, nil
}

// rowOf shows a department's figures but for what is hidden of them.
func rowOf(b Benchmarks, hidden map[figureCell]bool) (FigureRow, error) {
	shown := func(c figureCell, n int) *int {
		if hidden[c] {
			return nil
		}
		return &n
	}
	figure := func(f CountedFigure, events, n figureCell) ShownFigure {
		s := ShownFigure{Events: shown(events, f.Events), N: shown(n, f.N)}
		if s.Events != nil && s.N != nil {
			s.Rate, s.Interval = f.Rate, f.Interval
		}
		return s
	}
	share := func(f Share, count, n figureCell) ShownShare {
		s := figure(CountedFigure{f.Count, f.N, f.Share, f.Interval}, count, n)
		return ShownShare{s.Events, s.N, s.Rate, s.Interval}
	}
	complicated, err := counted(b.Operations-b.Complications.Uncomplicated.Count, b.Operations)
	if err != nil {
		return FigureRow{}, err
	}
	infected, err := counted(b.Complications.Endophthalmitis, b.Operations)
	if err != nil {
		return FigureRow{}, err
	}
	r := b.CapsuleRupture
	row := FigureRow{Department: b.Department, Operations: shown(cellOperations, b.Operations), hidden: hidden, Excluded: map[string]*int{}, LeftOut: addLeftOut(),
		CapsuleRupture: ShownRupture{ShownFigure: figure(CountedFigure{r.Events, r.N, r.Rate, r.Interval}, cellRupture, cellOperations)},
		Takeover:       figure(*b.Takeover, cellTakeover, cellTakeoverN),
		Vision: ShownVision{Eyes: shown(cellEyes, b.Vision.Eyes), At000: share(b.Vision.After.At000, cellAt000, cellAfterN),
			At030: share(b.Vision.After.At030, cellAt030, cellAfterN), Loss: figure(b.Vision.Loss.CountedFigure, cellLoss, cellLossN)},
		Refraction: ShownRefraction{N: shown(cellRefractionN, b.Refraction.N), Within050: share(b.Refraction.Within050, cellWithin050, cellRefractionN),
			Within100: share(b.Refraction.Within100, cellWithin100, cellRefractionN)},
		Complications: ShownComplications{Any: figure(complicated, cellAny, cellOperations),
			Returned:            figure(b.Complications.Returned, cellReturned, cellOperations),
			UnplannedAttendance: figure(b.Complications.UnplannedAttendance, cellAttendance, cellOperations),
			Endophthalmitis:     figure(infected, cellEndophthalmitis, cellOperations)},
		Completeness: ShownCompleteness{OperatingTime: figure(b.Completeness.OperatingTime, cellTimeKnown, cellOperations),
			AcuityBoth: figure(b.Completeness.AcuityBoth, cellAcuityKnown, cellOperations),
			Refraction: figure(b.Completeness.Refraction, cellRefractionKnown, cellOperations)},
	}
	if row.Operations != nil {
		row.CapsuleRupture.Expected = &r.Expected
		if row.CapsuleRupture.Events != nil {
			row.CapsuleRupture.AdjustedRate, row.CapsuleRupture.AdjustedCI = r.AdjustedRate, r.AdjustedCI
		}
	}
	for _, reason := range excludedReasons {
		row.Excluded[reason] = shown(excludedCell(reason), b.Excluded[reason])
	}
	return row, nil
}

// JSON is the answer as it is served and released, to the byte.
func (f Figures) JSON() ([]byte, error) {
	var out bytes.Buffer
	encoder := json.NewEncoder(&out)
	encoder.SetEscapeHTML(false)
	err := encoder.Encode(f)
	return out.Bytes(), err
}

// suppressedIn lists what isn't shown of a row, in the order of the figures.
func suppressedIn(row FigureRow) []Suppressed {
	var out []Suppressed
	for _, c := range figureCells {
		if row.hidden[c] {
			out = append(out, Suppressed{row.Department, string(c), reasonSmall})
		}
	}
	return out
}
