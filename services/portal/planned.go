package portal

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/analytics"
)

// plannedView lists booked cases with their risk factors.
type plannedView struct {
	frame
	Answer    string
	Cautioned string
	Planned   tableView
	Factors   tableView
	Hidden    string
	Explains  []string
}

// maxPlanned bounds the booked cases on the page.
const maxPlanned = 100

// planned serves GET /my/planned.
func (s *Service) planned(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	var cases []feedback.Planned
	var last time.Time
	var around frame
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) (err error) {
		around = s.frame(r.Context(), actor, "Which eyes are booked, and what is known of their risk?", &asOf)
		if last, err = outcome.LatestDay(r.Context(), tx, actor.Departments); err != nil {
			return err
		}
		booked, err := outcome.ListPlanned(r.Context(), tx, actor.Departments, last, asOf, maxPlanned+1)
		if err != nil {
			return err
		}
		cases, err = feedback.ReadPlanned(r.Context(), tx, booked, actor.Sees, asOf)
		return err
	})
	if err != nil {
		return err
	}
	// Others are read by department, as the role figures: no person's row comes out.
	for _, department := range actor.Departments {
		var here []feedback.Planned
		for _, p := range cases {
			if p.Case.Department == department {
				here = append(here, p)
			}
		}
		if len(here) == 0 {
			continue
		}
		err := pg.AsActor(r.Context(), s.cfg.Pool, analytics.FiguresReader(department), func(tx pgx.Tx) error {
			return feedback.Beside(r.Context(), tx, here)
		})
		if err != nil {
			return err
		}
		for _, p := range here {
			i := slices.IndexFunc(cases, func(c feedback.Planned) bool { return c.Case.Code == p.Case.Code })
			cases[i] = p
		}
	}
	view := plannedWords(cases, last)
	view.frame = around
	return s.render(w, http.StatusOK, "planned", view)
}

// plannedWords word booked cases, soonest first; last is the latest operation on
// record.
func plannedWords(cases []feedback.Planned, last time.Time) plannedView {
	v := plannedView{Cautioned: "These are facts for teaching. They choose nobody, and they are never advice on a patient under treatment: who operates, and how, is decided by those who treat the patient."}
	since := "since the record began"
	if !last.IsZero() {
		since = "from " + day(last) + ", the latest operation on record, on"
	}
	if len(cases) == 0 {
		v.Answer = "No case that you may see is booked " + since + " and not started."
		return v
	}
	if len(cases) > maxPlanned {
		cases = cases[:maxPlanned]
		v.Hidden = "Only the next " + whole(maxPlanned) + " are listed here."
	}
	v.Answer = fmt.Sprintf("%s booked %s and not started, soonest first.", sentence(plural(len(cases), "case is", "cases are")), since)
	v.Planned = tableView{Name: "Booked cases", Caption: "Booked cases by day. Expected risk is that of a capsule rupture by what is recorded so far, and the same whoever operates.",
		Head: []column{{"Case", false}, {"Booked for", false}, {"Planned first operator", false}, {"Whole cases so far", true}, {"Expected risk", true},
			{"Beside the operator's own latest", false}, {"Beside other trainees at this count", false}, {"Not known yet", false}}}
	v.Factors = tableView{Name: "Risk factors", Caption: "What is recorded that bears on the risk; a factor that is recorded as absent isn't listed.", Head: heads("Case", "Risk factors")}
	for _, p := range cases {
		row := cells(p.Case.Code, day(p.PlannedOn), person(p.Surgeon), casesSoFar(p), percent(p.CaseMix.Risk), besideOwn(p), besideOthers(p), unknownFactors(p.CaseMix.Unknown))
		row[0].Href = caseHref(p.Case.Code)
		v.Planned.Rows = append(v.Planned.Rows, row)
		v.Factors.Rows = append(v.Factors.Rows, cells(p.Case.Code, presentFactors(p.Case.Preop)))
	}
	v.Explains = []string{
		"What is usual is the middle half: of the operator's latest " + whole(feedback.LastCases-1) + " operations, and of what other trainees had at the same count of cases.",
		"Others are hidden where fewer than " + whole(feedback.MinOthers) + " trainees had cases at that count.",
	}
	return v
}

// usualWords say where a value stands to the middle half.
var usualWords = map[string]string{feedback.Above: "above what is usual", feedback.As: "as is usual", feedback.Below: "below what is usual"}

func casesSoFar(p feedback.Planned) string {
	if !p.Supervised {
		return "not yours to see"
	}
	return whole(p.CaseNumber)
}

func besideOwn(p feedback.Planned) string {
	o := p.CaseMix.Own
	switch {
	case !p.Supervised:
		return "not yours to see"
	case o == nil:
		return "too few operations yet"
	}
	return fmt.Sprintf("%s: %s to %s in the latest %d", usualWords[p.CaseMix.Compared], percent(o.Lower), percent(o.Upper), o.N)
}

// besideOthers sets odds ratios beside each other: the reference rate is the same
// for all.
func besideOthers(p feedback.Planned) string {
	b := p.CaseMix.Others
	switch {
	case !p.Supervised:
		return "not yours to see"
	case b == nil:
		if _, ok := learning.BandOf(p.CaseNumber + 1); !ok {
			return beyondBands
		}
		return hiddenOthers
	}
	return fmt.Sprintf("%s: %s the odds of the reference patient, the middle half of %d others at cases %s: %s to %s",
		usualWords[p.CaseMix.Beside], times(p.CaseMix.OddsRatio), b.Others, bandWords(b.Band), decimal(b.Lower, 2), decimal(b.Upper, 2))
}

func unknownFactors(names []string) string {
	if len(names) == 0 {
		return "nothing"
	}
	var out []string
	for _, n := range names {
		out = append(out, factor(n))
	}
	return list(out)
}

// presentFactors lists the factors that are known and there.
func presentFactors(p *events.PreopAssessed) string {
	if p == nil {
		return "nothing is assessed yet"
	}
	var out []string
	for _, f := range factorRows(p) {
		if f.Name == sentence(factor("can_lie_flat")) { // the risk is that it isn't so
			if f.Value == "no" {
				out = append(out, "not able to lie flat")
			}
			continue
		}
		switch f.Value {
		case unknown, "no", "none":
		case "yes":
			out = append(out, strings.ToLower(f.Name))
		default:
			out = append(out, strings.ToLower(f.Name)+" "+f.Value)
		}
	}
	if len(out) == 0 {
		return "none that is known"
	}
	return list(out)
}
