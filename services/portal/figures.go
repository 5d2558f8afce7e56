package portal

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/measure"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// figures serves GET /figures?from&to&as_of: the figures of all departments of
// whoever asks, side by side. A choice of departments isn't offered: two tables
// that share some would give away by subtraction what each holds back.
func (s *Service) figures(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.departmentPage(w, r, actor, question{title: "What are the figures of the departments, side by side?", form: monthsForm, fill: func(page *departmentPage, at reading) error {
		f, err := department.ReadFigures(at.ctx, at.tx, actor.Departments, at.period, at.asOf, leaves(actor))
		if errors.Is(err, department.ErrMonths) {
			page.Problems = append(page.Problems, problemView{"from", "Period: figures are of whole months, such as 2025-01 to 2025-12."})
			return nil
		}
		if err != nil {
			return err
		}
		page.sideBySide(f, at.query)
		return nil
	}})
}

// leaves says that figures leave the departments with whoever asks.
func leaves(actor access.Actor) bool { return actor.Role != access.Quality }

// monthsForm asks for months.
func monthsForm(page *departmentPage, _ reading) {
	page.Months = true
	for _, at := range []*string{&page.From, &page.To} {
		if t, err := time.Parse(time.DateOnly, *at); err == nil {
			*at = t.Format("2006-01")
		}
	}
}

// figuresFile serves GET /figures.csv and /figures.json: to the byte what the API
// answers, for a browser.
func (s *Service) figuresFile(form string) handler {
	return func(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
		query := r.URL.Query()
		period, err := department.ParsePeriod(query.Get("from"), query.Get("to"))
		if err != nil {
			return &web.Error{Code: web.CodeInvalid, Message: "The period can't be read. Go back, choose the months, and try again."}
		}
		as := pg.Actor{Role: "figures", Departments: actor.Departments}
		if actor.Role == access.Quality {
			as = reader(actor)
		}
		var body []byte
		err = pg.AsActor(r.Context(), s.cfg.Pool, as, func(tx pgx.Tx) error {
			asOf, err := archive.Resolve(r.Context(), tx, query.Get("as_of"))
			if err != nil {
				return err
			}
			f, err := department.ReadFigures(r.Context(), tx, actor.Departments, period, asOf, leaves(actor))
			if err != nil {
				return err
			}
			if form == "csv" {
				body, err = f.CSV()
			} else {
				body, err = f.JSON()
			}
			return err
		})
		if errors.Is(err, archive.ErrAsOf) || errors.Is(err, department.ErrMonths) {
			return &web.Error{Code: web.CodeInvalid, Message: "Figures are of whole months, as of a position that the record has reached. Go back, choose the months, and try again."}
		}
		if err != nil {
			return err
		}
		media := map[string]string{"csv": "text/csv; charset=utf-8; header=present", "json": "application/json"}[form]
		sum := sha256.Sum256(body)
		w.Header().Set("Content-Type", media)
		w.Header().Set("Repr-Digest", "sha-256=:"+base64.StdEncoding.EncodeToString(sum[:])+":")
		w.Header().Set("Content-Disposition", `attachment; filename="figures-`+period.From.Format("2006-01")+"-"+period.To.Format("2006-01")+"."+form+`"`)
		_, _ = w.Write(body)
		return nil
	}
}

// heldBack stands where a number isn't shown.
const heldBack = "held back"

func countShown(n *int) string {
	if n == nil {
		return heldBack
	}
	return whole(*n)
}

func rateShown(events, n *int, rate *float64, interval *measure.Interval) string {
	switch {
	case events == nil && n == nil:
		return heldBack
	case events == nil || n == nil:
		return countShown(events) + " of " + countShown(n)
	}
	return cellWords(*events, *n, rate, interval)
}

func figureShown(f department.ShownFigure) string {
	return rateShown(f.Events, f.N, f.Rate, f.Interval)
}

func shareShown(s department.ShownShare) string { return rateShown(s.Count, s.N, s.Share, s.Interval) }

// adjustedShown tells what is held back from what is too little for a rate.
func adjustedShown(r department.ShownRupture) string {
	switch {
	case r.AdjustedRate != nil && r.AdjustedCI != nil:
		return percent(*r.AdjustedRate) + ", " + intervalWords(*r.AdjustedCI)
	case r.N != nil && *r.N < alarm.FewCases:
		return "too few cases for a rate"
	}
	return heldBack
}

// shownFigures are the rows of the table, in the order of the definitions.
var shownFigures = []struct {
	name string
	say  func(department.FigureRow) string
}{
	{"Operations counted", func(r department.FigureRow) string { return countShown(r.Operations) }},
	{"Capsule rupture", func(r department.FigureRow) string { return figureShown(r.CapsuleRupture.ShownFigure) }},
	{"Capsule rupture, adjusted for case mix", func(r department.FigureRow) string { return adjustedShown(r.CapsuleRupture) }},
	{"Unplanned take-over", func(r department.FigureRow) string { return figureShown(r.Takeover) }},
	{"Eyes, one a patient", func(r department.FigureRow) string { return countShown(r.Vision.Eyes) }},
	{"0.00 logMAR (6/6) or better after", func(r department.FigureRow) string { return shareShown(r.Vision.At000) }},
	{"0.30 logMAR (6/12) or better after", func(r department.FigureRow) string { return shareShown(r.Vision.At030) }},
	{"Loss of vision", func(r department.FigureRow) string { return figureShown(r.Vision.Loss) }},
	{"Within 0.50 D of the prediction", func(r department.FigureRow) string { return shareShown(r.Refraction.Within050) }},
	{"Within 1.00 D of the prediction", func(r department.FigureRow) string { return shareShown(r.Refraction.Within100) }},
	{"Any complication in theatre", func(r department.FigureRow) string { return figureShown(r.Complications.Any) }},
	{"Returned to theatre", func(r department.FigureRow) string { return figureShown(r.Complications.Returned) }},
	{"Unplanned attendance", func(r department.FigureRow) string { return figureShown(r.Complications.UnplannedAttendance) }},
	{"Infection inside the eye within 42 days", func(r department.FigureRow) string { return figureShown(r.Complications.Endophthalmitis) }},
	{"Operating time known", func(r department.FigureRow) string { return figureShown(r.Completeness.OperatingTime) }},
	{"Acuity before and after known", func(r department.FigureRow) string { return figureShown(r.Completeness.AcuityBoth) }},
	{"Refraction known", func(r department.FigureRow) string { return figureShown(r.Completeness.Refraction) }},
}

// sideBySide words the figures of departments, in the order of their codes.
func (p *departmentPage) sideBySide(f department.Figures, query url.Values) {
	all := append(slices.Clone(f.Rows), f.Total)
	names := make([]string, len(all))
	for i, r := range all {
		names[i] = r.Department
	}
	names[len(names)-1] = "All together"
	p.Answer = "Figures of " + plural(len(f.Rows), "department", "departments") + ": " + countShown(f.Total.Operations) + " operations counted."
	table := func(caption, first string) tableView {
		return tableView{Name: caption, Caption: caption + ", " + f.From + " to " + f.To + ", departments in the order of their codes: never a ranking",
			Head: heads(append([]string{first}, names...)...)}
	}
	t := table("Figures", "Figure")
	for _, figure := range shownFigures {
		row := []string{figure.name}
		for _, r := range all {
			row = append(row, figure.say(r))
		}
		t.Rows = append(t.Rows, cells(row...))
	}
	out := table("Operations left out", "Reason")
	for _, reason := range sortedKeys(f.Excluded) {
		row := []string{sentence(leftOut(reason))}
		for _, r := range all {
			row = append(row, countShown(r.Excluded[reason]))
		}
		out.Rows = append(out.Rows, cells(row...))
	}
	words := []string{fewWords, "Findings after the operation depend on follow-up: their rates are lower bounds."}
	if f.Suppression.Applied {
		words = append(words, "“"+sentence(heldBack)+"” marks small numbers. "+f.Suppression.Rule+" ("+f.Suppression.Source+".)")
	} else {
		words = append(words, "Nothing is held back: small numbers are for the departments' own eyes. Whoever passes figures on uses the auditor's table.")
	}
	kept := url.Values{"from": {f.From}, "to": {f.To}}
	if asked := query.Get("as_of"); asked != "" {
		kept.Set("as_of", asked)
	}
	p.Sections = []sectionView{{Heading: "Side by side", Words: words, Tables: []tableView{t, out}, Links: []link{
		{Href: "/figures.csv?" + kept.Encode(), Text: "These figures as a table file (CSV)"}, {Href: "/figures.json?" + kept.Encode(), Text: "These figures for a program (JSON)"}}}}
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
