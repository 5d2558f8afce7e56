package portal

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"sort"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
)

// departmentView is a department's figures for a period.
type departmentView struct {
	frame
	Department string
	From, To   string // as typed, or the default period
	AsOfAsked  string
	Problems   []problemView
	Empty      string // why there are no figures
	Answer     string
	Figures    []figureView
	Reference  string
	Excluded   []countView
	Unknown    []countView
	Surgeons   []surgeonsView // for quality officers only
}

// figureView is one figure with what it means.
type figureView struct{ Name, Value, Note string }

// countView counts something by its name.
type countView struct{ Name, Count string }

// surgeonsView is the rupture figure by surgeon under one view, sorted by code.
type surgeonsView struct {
	Title, Rule string
	Rows        []surgeonRow
}

type surgeonRow struct{ Surgeon, Rate, Expected, Adjusted string }

// department serves GET /departments/{department}?from&to&as_of. Who may see the
// department at all, the access matrix has checked.
func (s *Service) department(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	code, query := mux.Vars(r)["department"], r.URL.Query()
	// The sums of a department are nobody's rows: after the check they are read
	// as figures. A quality officer's own role reads them too, and surgeons'.
	as := pg.Actor{Role: "figures", Departments: []string{code}}
	bySurgeon := actor.Role == access.Quality
	if bySurgeon {
		as = reader(actor)
	}
	view := departmentView{Department: code, AsOfAsked: query.Get("as_of")}
	status := http.StatusOK
	err := pg.AsActor(r.Context(), s.cfg.Pool, as, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, view.AsOfAsked)
		if errors.Is(err, archive.ErrAsOf) {
			view.Problems = append(view.Problems, problemView{"as-of",
				"As of: give a position that the record has reached, or a time with its offset such as 2025-03-12T10:41:07+00:00; leave it empty for now."})
			asOf, err = archive.Resolve(r.Context(), tx, "")
		}
		if err != nil {
			return err
		}
		view.frame = s.frame(r.Context(), actor, "What are the department's figures, and what is left out?", &asOf)
		period, err := view.period(r.Context(), tx, query)
		if err != nil || period == nil || len(view.Problems) > 0 {
			return err
		}
		b, err := department.Read(r.Context(), tx, code, *period, asOf)
		if err != nil {
			return err
		}
		view.words(b)
		if !bySurgeon {
			return nil
		}
		for _, v := range department.Views {
			rows, err := department.BySurgeon(r.Context(), tx, v, code, *period, asOf)
			if err != nil {
				return err
			}
			view.Surgeons = append(view.Surgeons, surgeonsView{viewWords[v].title, viewWords[v].rule, surgeonRows(rows)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(view.Problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.render(w, status, "department", view)
}

// period reads the period asked for; without one it is the twelve months up to
// and with that of the latest operation. It is nil when there is none.
func (v *departmentView) period(ctx context.Context, tx pgx.Tx, query url.Values) (*department.Period, error) {
	v.From, v.To = query.Get("from"), query.Get("to")
	if v.From == "" && v.To == "" {
		last, err := outcome.LatestDay(ctx, tx, []string{v.Department})
		if err != nil {
			return nil, err
		}
		if last.IsZero() {
			v.Empty = "No operation of this department is recorded yet, so there are no figures."
			return nil, nil
		}
		p := yearTo(last)
		v.From, v.To = p.From.Format(time.DateOnly), p.To.Format(time.DateOnly)
		return &p, nil
	}
	p, err := department.ParsePeriod(v.From, v.To)
	if errors.Is(err, department.ErrPeriod) {
		v.Problems = append(v.Problems, problemView{"from", "Period: give both days, such as 2025-01-01 and 2025-12-31, the first not after the last."})
		return nil, nil
	}
	// A native date input takes days only.
	v.From, v.To = p.From.Format(time.DateOnly), p.To.Format(time.DateOnly)
	return &p, err
}

// yearTo is the twelve whole months up to and with that of a day.
func yearTo(last time.Time) department.Period {
	month := time.Date(last.Year(), last.Month(), 1, 0, 0, 0, 0, time.UTC)
	return department.Period{From: month.AddDate(0, -11, 0), To: month.AddDate(0, 1, -1)}
}

// words puts the figures into the page.
func (v *departmentView) words(b department.Benchmarks) {
	excluded := 0
	for _, n := range b.Excluded {
		excluded += n
	}
	if b.Operations == 0 && excluded == 0 {
		v.Empty = "No operation of this department is recorded in this period, so there are no figures."
		return
	}
	c := b.CapsuleRupture
	rate := rateWords(c.Events, c.N, c.Rate, c.Interval)
	v.Answer = "Capsule rupture: " + rate + "."
	if b.Operations > 0 {
		v.Answer += " From the eyes operated, " + decimal(c.Expected, 1) + " were expected: " + againstExpected(c) + "."
	}
	v.Figures = []figureView{
		{"Operations counted", whole(b.Operations), plural(excluded, "more is", "more are") + " left out, by reason below"},
		{"Capsule rupture", rate, "95 % CI by Wilson's method" + exactWords(c)},
		{"Capsule ruptures expected", decimal(c.Expected, 1), "sum of each eye's risk by model " + c.RiskModel + ", version " + c.RiskVersion},
		{"Capsule rupture, adjusted for case mix", adjustedWords(c), "observed / expected x the reference rate; exact limits"},
	}
	if t := b.Takeover; t != nil {
		v.Figures = append(v.Figures, figureView{"Unplanned take-over", rateWords(t.Events, t.N, t.Rate, t.Interval), "operations in which it is known"})
	}
	known := b.Completeness.OperatingTime
	v.Figures = append(v.Figures,
		figureView{"Operating time known", rateWords(known.Events, known.N, known.Rate, known.Interval), "information, never an aim"},
		figureView{"Operations without an end", whole(b.Completeness.Unfinished), "left out until their outcome is known"})
	v.Reference = "The reference rate is " + percent(c.Reference.Rate) + ": " + c.Reference.Population + " (" + c.Reference.Source + ")."
	v.Excluded = countRows(b.Excluded, plain)
	v.Unknown = countRows(c.Unknown, factor)
}

// againstExpected compares without judging: the interval decides the words.
func againstExpected(c department.RuptureFigure) string {
	if c.AdjustedRate == nil || c.AdjustedCI == nil {
		return "too few cases to compare"
	}
	switch {
	case c.AdjustedCI.Lower > c.Reference.Rate:
		return "more than expected given the case mix, beyond what chance alone would usually give"
	case c.AdjustedCI.Upper < c.Reference.Rate:
		return "fewer than expected given the case mix, beyond what chance alone would usually give"
	}
	return "as many as chance could give around what was expected"
}

func exactWords(c department.RuptureFigure) string {
	if c.Exact == nil {
		return ""
	}
	return "; exact " + hundred(c.Exact.Lower) + " to " + hundred(c.Exact.Upper)
}

func adjustedWords(c department.RuptureFigure) string {
	if c.AdjustedRate == nil || c.AdjustedCI == nil {
		return "too few cases for a rate"
	}
	return percent(*c.AdjustedRate) + ", " + intervalWords(*c.AdjustedCI)
}

// countRows list counts by name, in the order of their names.
func countRows(counts map[string]int, word func(string) string) []countView {
	names := make([]string, 0, len(counts))
	for name := range counts {
		names = append(names, name)
	}
	sort.Strings(names)
	out := make([]countView, 0, len(names))
	for _, name := range names {
		out = append(out, countView{sentence(word(name)), whole(counts[name])})
	}
	return out
}

// surgeonRows keep the order of codes: it says nothing about anyone.
func surgeonRows(figures []department.SurgeonFigure) []surgeonRow {
	out := make([]surgeonRow, 0, len(figures))
	for _, f := range figures {
		out = append(out, surgeonRow{f.Surgeon, rateWords(f.Events, f.N, f.Rate, f.Interval), decimal(f.Expected, 1), adjustedWords(f.RuptureFigure)})
	}
	slices.SortFunc(out, func(a, b surgeonRow) int { return slices.Compare([]string{a.Surgeon}, []string{b.Surgeon}) })
	return out
}
