package portal

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
)

// departmentPage is what every page of a department holds: the period asked for,
// an answer, and sections.
type departmentPage struct {
	frame
	Department string
	Action     string // address of the page
	Pages      []link // the department's other pages
	From, To   string // as typed, or the default period
	Months     bool   // the period is asked for in whole months
	AsOfAsked  string
	NoAsOf     bool // the form doesn't ask for it
	Checks     []checksView
	Texts      []textView
	Choices    []selectView
	Numbers    []numberView
	Problems   []problemView
	Empty      string // why there are no figures
	Answer     string
	Drawing    *drawing // what the answer is about; nil where nothing is drawn
	Sections   []sectionView
	Leaving    *leavingView // files of figures and their manifests; nil on most pages

	codes []string // departments that the default period is of
}

// numberView is a number to type in, in the form of a page.
type numberView struct{ Name, Label, Value string }

// selectView is a list to choose from, in the form of a page.
type selectView struct {
	Name, Label string
	Options     []choice
}

// checksView is a list of which several can be chosen, in the form of a page.
type checksView struct {
	Name, Label string
	Options     []choice
}

// textView is a line to type in, in the form of a page.
type textView struct{ Name, Label, Value string }

// reading is what the figures of a page are read with.
type reading struct {
	ctx    context.Context
	tx     pgx.Tx
	actor  access.Actor
	query  url.Values
	code   string
	period department.Period
	asOf   archive.AsOf
}

// question is what a page of a department, or of several, answers.
type question struct {
	title string
	page  string                               // template; empty is that of a department
	wide  bool                                 // of all departments of whoever asks
	form  func(*departmentPage, reading)       // adds to the form; nil for none
	fill  func(*departmentPage, reading) error // words what the period holds
}

// departmentRoutes are the pages of a department, in the order shown.
var departmentRoutes = []struct{ route, text string }{
	{"/departments/{department}", "Figures"},
	{departmentChartsRoute, "Charts"},
	{"/departments/{department}/lenses", "Lens constants and astigmatism"},
	{"/departments/{department}/infections", "Infections"},
	{"/departments/{department}/funnel", "Funnel"},
	{"/departments/{department}/completeness", "Completeness"},
	{"/departments/{department}/risk-model", "Risk model"},
	{questionsRoute, "Records said to be wrong"},
}

// departmentPage serves a page of a department. Who may see the department at
// all, the access matrix has checked.
func (s *Service) departmentPage(w http.ResponseWriter, r *http.Request, actor access.Actor, q question) error {
	code, query := mux.Vars(r)["department"], r.URL.Query()
	page := &departmentPage{Department: code, Action: r.URL.EscapedPath(), AsOfAsked: query.Get("as_of"), codes: []string{code}}
	if code != "" {
		page.Pages = departmentPages(actor.Role, code, query)
	}
	if q.wide || code == "" {
		page.codes = actor.Departments
	}
	// The sums of a department are nobody's rows: after the check they are read
	// as figures. A quality officer's own role reads them too, and surgeons'.
	as := pg.Actor{Role: "figures", Departments: page.codes}
	if actor.Role == access.Quality {
		as = reader(actor)
	}
	err := pg.AsActor(r.Context(), s.cfg.Pool, as, func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, page.AsOfAsked)
		if errors.Is(err, archive.ErrAsOf) {
			page.Problems = append(page.Problems, problemView{"as-of",
				"As of: give a position that the record has reached, or a time with its offset such as 2025-03-12T10:41:07+00:00; leave it empty for now."})
			asOf, err = archive.Resolve(r.Context(), tx, "")
		}
		if err != nil {
			return err
		}
		page.frame = s.frame(r.Context(), actor, q.title, &asOf)
		period, err := page.period(r.Context(), tx, query)
		if err != nil {
			return err
		}
		at := reading{ctx: r.Context(), tx: tx, actor: actor, query: query, code: code, asOf: asOf}
		if q.form != nil {
			q.form(page, at)
		}
		if period == nil || len(page.Problems) > 0 {
			return nil
		}
		at.period = *period
		return q.fill(page, at)
	})
	if err != nil {
		return err
	}
	status := http.StatusOK
	if len(page.Problems) > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.render(w, status, cmp.Or(q.page, "department"), page)
}

// departmentPages lists the department's pages that the role may see, by the one
// access matrix, for the period asked for.
func departmentPages(role access.Role, code string, query url.Values) []link {
	kept := url.Values{}
	for _, name := range []string{"from", "to", "as_of"} {
		if v := query.Get(name); v != "" {
			kept.Set(name, v)
		}
	}
	var out []link
	for _, p := range departmentRoutes {
		if may(role, http.MethodGet, p.route) {
			href := departmentHref(p.route, code)
			if len(kept) > 0 {
				href += "?" + kept.Encode()
			}
			out = append(out, link{Href: href, Text: p.text})
		}
	}
	return out
}

func departmentHref(route, code string) string {
	const before = "/departments/{department}"
	return "/departments/" + url.PathEscape(code) + route[len(before):]
}

// period reads the period asked for; without one it is the twelve months up to
// and with that of the latest operation. It is nil when there is none.
func (p *departmentPage) period(ctx context.Context, tx pgx.Tx, query url.Values) (*department.Period, error) {
	p.From, p.To = query.Get("from"), query.Get("to")
	if p.From == "" && p.To == "" {
		last, err := outcome.LatestDay(ctx, tx, p.codes)
		if err != nil {
			return nil, err
		}
		if last.IsZero() {
			p.Empty = "No operation is recorded yet, so there are no figures."
			if p.Department != "" {
				p.Empty = "No operation of this department is recorded yet, so there are no figures."
			}
			return nil, nil
		}
		year := yearTo(last)
		p.From, p.To = year.From.Format(time.DateOnly), year.To.Format(time.DateOnly)
		return &year, nil
	}
	asked, err := department.ParsePeriod(p.From, p.To)
	if errors.Is(err, department.ErrPeriod) {
		p.Problems = append(p.Problems, problemView{"from", "Period: give both days, such as 2025-01-01 and 2025-12-31, the first not after the last."})
		return nil, nil
	}
	// A native date input takes days only.
	p.From, p.To = asked.From.Format(time.DateOnly), asked.To.Format(time.DateOnly)
	return &asked, err
}

// yearTo is the twelve whole months up to and with that of a day.
func yearTo(last time.Time) department.Period {
	month := time.Date(last.Year(), last.Month(), 1, 0, 0, 0, 0, time.UTC)
	return department.Period{From: month.AddDate(0, -11, 0), To: month.AddDate(0, 1, -1)}
}
