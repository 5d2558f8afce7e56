package portal

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/feedback"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/analytics"
)

// stageView is the summary of an operation at its stage: what a trainer and a
// trainee look at together.
type stageView struct {
	Head     []string // case number, what it came to, whether a rule asks for a discussion
	Timeline drawing  // the steps, with who did each, beside others
	Beside   []string // everything else that the summary says
}

// evidenceOf reads what the summary of an operation rests on; nil for a case that
// isn't one.
func evidenceOf(ctx context.Context, tx pgx.Tx, record outcome.Record) (*feedback.Evidence, error) {
	e, err := feedback.EvidenceFor(ctx, tx, record)
	if errors.Is(err, feedback.ErrNoOperation) {
		return nil, nil
	}
	return &e, err
}

// stageOf sets the evidence beside what others had at the same count, which is
// read as the role figures: no person's row comes out of it.
func (s *Service) stageOf(ctx context.Context, e *feedback.Evidence) (*feedback.Stage, error) {
	if e == nil {
		return nil, nil
	}
	var peers feedback.Peers
	err := pg.AsActor(ctx, s.cfg.Pool, analytics.FiguresReader(e.Row.Department), func(tx pgx.Tx) error {
		var err error
		peers, err = feedback.ReadPeers(ctx, tx, *e)
		return err
	})
	if err != nil {
		return nil, err
	}
	stage, err := feedback.StageOf(*e, peers)
	return &stage, err
}

// stageAlone is the summary without what others had.
func stageAlone(e *feedback.Evidence) (*feedback.Stage, error) {
	stage, err := feedback.StageOf(*e, feedback.Peers{})
	return &stage, err
}

// headLines is how many sentences of a stage come before those of its steps.
const headLines = 3

// stageWords put the summary into a view; its steps stand in a table, and the
// reviews, which the sentences end with, are given apart.
func stageWords(s *feedback.Stage) (*stageView, []string) {
	if s == nil {
		return nil, nil
	}
	said := s.Words()
	reviews := said[len(said)-len(s.Reviews):]
	v := &stageView{Head: said[:headLines], Beside: said[headLines+len(s.Steps) : len(said)-len(s.Reviews)]}
	v.Timeline = drawing{Kind: "timeline", Source: "/v1/cases/" + url.PathEscape(s.Case) + "/stage", Finding: timelineFinding(s)}
	t := tableView{Name: "Steps beside others", None: "No step is recorded.",
		Caption: "Each run of a step beside the middle half of what it took other surgeons" + atCount(s) +
			". Times are information, never an aim. Others are hidden where fewer than " + whole(feedback.MinOthers) + " did the step at that count.",
		Head: []column{{"Step", false}, {"Began after", true}, {"Time", true}, {"Middle half of others", false}, {"Operator", false}, {"Supervision", false}, {"Handed over unplanned", false}}}
	for _, step := range s.Steps {
		took := unknown
		if step.Seconds != nil {
			took = length(time.Duration(*step.Seconds) * time.Second)
		}
		began := unknown
		switch {
		case step.BeganAfter != nil:
			began = afterWords(*step.BeganAfter)
		case step.EndedAfter != nil:
			began = "unknown, ended after " + afterWords(*step.EndedAfter)
		}
		t.Rows = append(t.Rows, cells(sentence(plain(step.Step)), began, took, othersWords(s, step), person(step.Operator),
			supervision(step.Supervision), yesNo(step.Failed)))
	}
	v.Timeline.Table = t
	return v, reviews
}

// timelineFinding says who operated from when on, and how much is known of the steps.
func timelineFinding(s *feedback.Stage) string {
	if len(s.Steps) == 0 {
		return "No step is recorded."
	}
	timed := 0
	for _, step := range s.Steps {
		if step.Seconds != nil {
			timed++
		}
	}
	out := fmt.Sprintf("%s recorded, %s with a known time. %s began", plural(len(s.Steps), "run of a step is", "runs of steps are"), whole(timed), s.Surgeon)
	for _, h := range s.HandOvers {
		how := map[bool]string{true: "unplanned", false: "planned"}
		said := "not recorded whether planned"
		if h.Unplanned != nil {
			said = how[*h.Unplanned]
		}
		out += fmt.Sprintf("; %s took over after %s, %s", h.To, afterWords(h.After), said)
	}
	if len(s.HandOvers) == 0 {
		out += " and nobody took over"
	}
	return out + ". Times are information, never an aim."
}

// afterWords are seconds from the start of the operation.
func afterWords(s int64) string {
	if s < 0 {
		return "−" + length(time.Duration(-s)*time.Second)
	}
	return length(time.Duration(s) * time.Second)
}

func atCount(s *feedback.Stage) string {
	if s.CaseNumber == nil {
		return ""
	}
	band, ok := learning.BandOf(*s.CaseNumber)
	if !ok {
		return ""
	}
	return " at cases " + bandWords(band)
}

func bandWords(b learning.Band) string { return fmt.Sprintf("%d to %d", b.First, b.Last) }

// othersWords set a run beside others, or say why they aren't shown.
func othersWords(s *feedback.Stage, step feedback.StageStep) string {
	if b := step.Others; b != nil {
		half := fmt.Sprintf("%s to %s (%s)", seconds(b.Lower), seconds(b.Upper), plural(b.Others, "other", "others"))
		switch step.Compared {
		case feedback.Within:
			return "within " + half
		case feedback.Shorter, feedback.Longer:
			return step.Compared + " than " + half
		}
		return half
	}
	switch {
	case !s.RecordSeen || s.CaseNumber == nil:
		return "not shown: the case number isn't yours to see"
	case step.Operator != s.Surgeon:
		return "not shown: another operator's count is another"
	}
	if _, ok := learning.BandOf(*s.CaseNumber); !ok {
		return beyondBands
	}
	return hiddenOthers
}

const (
	hiddenOthers = "hidden: fewer than five others"
	beyondBands  = "none are kept beyond case 400"
)

// seconds is a time as "4 min 20 s".
func seconds(s float64) string { return length(time.Duration(s * float64(time.Second))) }

func yesNo(b *bool) string {
	switch {
	case b == nil:
		return unknown
	case *b:
		return "yes"
	}
	return "no"
}
