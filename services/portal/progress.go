package portal

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
	"lensledger/services/access"
)

// progressView is the page of one surgeon's learning.
type progressView struct {
	frame
	Surgeon  string
	Own      bool     // the reader's own progress
	Choices  []choice // the surgeons that a trainer may choose from, in the order of their codes
	Answer   string
	Now      []string // what to work on and what is missing, in sentences
	None     string   // what to do while nothing is recorded
	Facts    []factView
	Minimums string
	Take     []link // the logbook
	Sections []sectionView
}

// learned is everything that a page of progress is made of.
type learned struct {
	progress learning.Progress
	points   feedback.Feedback
	charts   []alarm.Chart
	eyes     department.EyesOfSurgeon
	asked    []feedback.Question
	peers    []learning.Peer
}

// maxAsked bounds the list of records said to be wrong.
const maxAsked = 50

// progress serves GET /my/progress: a trainee's or trainer's own, or with
// ?surgeon= that of somebody the trainer supervises.
func (s *Service) progress(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	surgeon, err := chosenSurgeon(r, actor)
	if err != nil {
		return err
	}
	var l learned
	var around frame
	err = s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) (err error) {
		around = s.frame(r.Context(), actor, "Where does the learning stand, and what is missing?", &asOf)
		if l.progress, err = learning.ReadProgress(r.Context(), tx, surgeon, asOf); err != nil {
			return err
		}
		l.progress = l.progress.Against(s.cfg.Minimums)
		if l.points, err = feedback.Points(r.Context(), tx, surgeon, asOf); err != nil {
			return err
		}
		if l.charts, err = alarm.Charts(r.Context(), tx, surgeon, asOf); err != nil {
			return err
		}
		if l.eyes, err = department.ReadEyesOfSurgeon(r.Context(), tx, surgeon, asOf); err != nil {
			return err
		}
		l.asked, err = feedback.Questions(r.Context(), tx, "", surgeon, false, maxAsked)
		return err
	})
	if err != nil {
		return err
	}
	if l.peers, err = s.peersOf(r.Context(), actor, l.progress); err != nil {
		return err
	}
	view := s.progressWords(actor, l)
	view.frame, view.Own, view.Choices = around, surgeon == actor.Surgeon, surgeonChoices(actor, surgeon)
	return s.render(w, http.StatusOK, "progress", view)
}

// surgeonChoices are in the order of the codes, which says nothing about anyone.
func surgeonChoices(actor access.Actor, chosen string) []choice {
	if len(actor.Supervises) == 0 {
		return nil
	}
	var out []choice
	for _, code := range actor.Surgeons() {
		words := code
		if code == actor.Surgeon {
			words += " (your own)"
		}
		out = append(out, choice{code, words, code == chosen})
	}
	return out
}

// peersOf reads what each step took others at the same counts, as the role
// figures: no person's row comes out of it.
func (s *Service) peersOf(ctx context.Context, actor access.Actor, p learning.Progress) ([]learning.Peer, error) {
	var bands []learning.Band
	for _, b := range learning.Bands {
		if slices.ContainsFunc(p.Steps, func(step learning.StepProgress) bool { return slices.ContainsFunc(step.Times.Bands, sameBand(b)) }) {
			bands = append(bands, b)
		}
	}
	if len(bands) == 0 {
		return nil, nil
	}
	var out []learning.Peer
	err := pg.AsActor(ctx, s.cfg.Pool, pg.Actor{Role: "figures", Departments: actor.Departments}, func(tx pgx.Tx) (err error) {
		out, err = learning.Peers(ctx, tx, p.Surgeon, bands...)
		return err
	})
	return out, err
}

// progressWords word a surgeon's progress.
func (s *Service) progressWords(actor access.Actor, l learned) progressView {
	p := l.progress
	v := progressView{Surgeon: p.Surgeon, Answer: "Case number " + whole(p.CaseNumber) + ", in whole cases. " + nextWords(p)}
	v.Facts = []factView{
		{"Post", plain(p.Post)},
		{"Whole cases on record", whole(p.WholeCases)},
		{"Part cases on record", whole(p.PartCases)},
		{"Whole cases before the record", priorWords(p, p.PriorWhole)},
		{"Part cases before the record", priorWords(p, p.PriorPart)},
	}
	for _, m := range p.Minimums {
		reached := "not reached yet"
		if m.Reached {
			reached = "reached"
		}
		v.Facts = append(v.Facts, factView{"Minimum of " + whole(m.Cases) + " cases", reached + " (" + m.Source + ")"})
	}
	v.Minimums = "Minimum counts are published settings that are shown, not goals. None says when somebody may operate alone."
	v.Now = nowWords(l)
	query := url.Values{"surgeon": {p.Surgeon}}.Encode()
	v.Take = []link{{Href: "/my/logbook?" + query, Text: "The logbook, to read and to print"}, {Href: "/my/logbook.csv?" + query, Text: "The logbook as a table file (CSV)"}}
	if p.CaseNumber == 0 && p.PartCases == 0 && p.WholeCases == 0 {
		v.None = "No operation is recorded yet. This page fills with the first one that the theatre sends; prior cases count once the enrolment says how many there were."
	}
	v.Sections = append([]sectionView{chartsSection(p.Surgeon, l.charts), stepSection(p.Surgeon, p.Steps, l.peers), pointSection(l.points), rateSection(p)},
		outcomeSections(l.eyes)...)
	v.Sections = append(v.Sections, missingSection(p.Missing), askedSection(l.asked), timeSection(p.OperatingTime))
	return v
}

// nowWords say at the top what stands below: what comes back after the advice,
// what follow-up is missing, and what nobody has answered yet.
func nowWords(l learned) []string {
	byState := map[string][]string{}
	for _, p := range l.points.Points {
		byState[p.State] = append(byState[p.State], p.TeachingPoint)
	}
	var out []string
	recur, stopped := byState[feedback.StateRecurs], byState[feedback.StateStopped]
	if len(recur) > 0 {
		out = append(out, "Came back after the advice: "+list(recur)+".")
	}
	if len(stopped) > 0 {
		out = append(out, "Stopped after the advice: "+list(stopped)+".")
	}
	if len(recur)+len(stopped) == 0 && len(l.points.Points) > 0 {
		out = append(out, "Too few operations were looked at since the advice to say whether a teaching point comes back.")
	}
	if n := len(l.progress.Missing.Cases); n > 0 {
		out = append(out, "Follow-up is missing for "+whole(n)+" of "+plural(l.progress.Missing.Operations, "operation", "operations")+".")
	}
	open := 0
	for _, q := range l.asked {
		if q.Open() {
			open++
		}
	}
	if open > 0 {
		out = append(out, "Not answered yet: "+plural(open, "record that was said to be wrong.", "records that were said to be wrong."))
	}
	return out
}

func nextWords(p learning.Progress) string {
	m := p.NextMinimum
	if m == nil {
		return "Every published minimum count is reached."
	}
	return fmt.Sprintf("The next published minimum is %s: %s to go.", whole(m.Cases), whole(m.Cases-p.CaseNumber))
}

func priorWords(p learning.Progress, n int) string {
	if !p.Enrolled {
		return "not known: no enrolment is recorded"
	}
	return whole(n)
}

// rateSection sets rupture and take-over side by side.
func rateSection(p learning.Progress) sectionView {
	t := tableView{Name: "Rupture and take-over", Caption: "By hundreds of case numbers: cases that enter the charts and whose outcome is known",
		Head: heads("Cases", "Capsule rupture", "Unplanned take-over"), None: "No case with a known outcome is recorded yet."}
	for i, r := range p.Rupture {
		takeover := "no cases"
		if i < len(p.Takeover) {
			takeover = bandRate(p.Takeover[i])
		}
		if r.N > 0 || takeover != "no cases" {
			t.Rows = append(t.Rows, cells(caseRange(r.CaseBand), bandRate(r), takeover))
		}
	}
	return sectionView{Heading: "Capsule rupture and unplanned take-over",
		Words: []string{"They stand together, because a rescue must not hide a risk. A planned or teaching hand-over is none."}, Tables: []tableView{t}}
}

func bandRate(b learning.BandCount) string { return rateWords(b.Events, b.N, b.Rate, b.Interval) }

// maxMissing bounds the list of cases with something missing, so that a page stays
// a page.
const maxMissing = 100

// missingSection lists what no clinic has sent though its time is over.
func missingSection(m learning.Missing) sectionView {
	of := " of " + whole(m.Operations)
	counts := tableView{Name: "Missing", Caption: "Operations in which it is missing though its time is over", Head: numbers("What", "Operations")}
	for _, c := range []struct {
		name string
		n    int
	}{{"Acuity before", m.AcuityBefore}, {"Acuity after", m.AcuityAfter}, {"Refraction after", m.Refraction}} {
		counts.Rows = append(counts.Rows, cells(c.name, whole(c.n)+of))
	}
	counts.Rows = append(counts.Rows, cells("Not over yet: still to come", whole(m.Waiting)+of))
	listed := tableView{Name: "Cases with something missing", Head: heads("Case", "Operated on", "Missing", "Follow-up"), None: "Nothing is missing.",
		Caption: "Cases with something missing, latest first"}
	for _, c := range m.Cases[:min(len(m.Cases), maxMissing)] {
		words := make([]string, len(c.Missing))
		for i, w := range c.Missing {
			words[i] = plain(w)
		}
		ended := "no end recorded"
		if c.Closed != "" {
			ended = "ended: " + plain(c.Closed)
		}
		row := cells(c.Case, isoDay(c.OperatedOn), list(words), ended)
		row[0].Href = caseHref(c.Case)
		listed.Rows = append(listed.Rows, row)
	}
	s := sectionView{Heading: "Missing follow-up", Words: []string{"Missing is never taken as success."}, Tables: []tableView{counts, listed}}
	if n := len(m.Cases) - maxMissing; n > 0 {
		s.Words = append(s.Words, plural(n, "older case isn't", "older cases aren't")+" listed here.")
	}
	return s
}
