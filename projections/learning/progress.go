package learning

import (
	"context"
	_ "embed"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/measure"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

//go:embed sql/all_times.sql
var allTimesSQL string

// Progress is where one surgeon stands by case number: counts, curves and
// intervals, for reading. It is never a verdict and never a rank.
type Progress struct {
	Surgeon       string         `json:"surgeon"`
	Enrolled      bool           `json:"enrolled"` // else prior cases aren't on record
	Post          string         `json:"post"`
	Trainee       bool           `json:"trainee"`
	CaseNumber    int            `json:"case_number"` // whole cases, prior ones added
	WholeCases    int            `json:"whole_cases"` // on record
	PartCases     int            `json:"part_cases"`
	PriorWhole    int            `json:"prior_whole_cases"`
	PriorPart     int            `json:"prior_part_cases"`
	Minimums      []Minimum      `json:"minimums"`
	NextMinimum   *Minimum       `json:"next_minimum"` // null when all are reached
	Steps         []StepProgress `json:"steps"`
	OperatingTime Curve          `json:"operating_time"` // of whole cases begun by the surgeon
	Rupture       []BandCount    `json:"capsule_rupture_by_case"`
	Takeover      []BandCount    `json:"unplanned_takeover_by_case"`
	Missing       Missing        `json:"missing_followup"`
}

// ReadProgress gives a surgeon's progress as of a position. The reader has to see
// the whole of the surgeon: a part would mislead.
func ReadProgress(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) (Progress, error) {
	standing, err := Standing(ctx, tx, surgeon, asOf)
	if err != nil {
		return Progress{}, err
	}
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return Progress{}, err
	}
	done, err := entries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return Progress{}, err
	}
	steps, err := stepEntries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return Progress{}, err
	}
	lengths, err := pg.Structs[operationLength](ctx, tx, allTimesSQL, surgeon, int64(asOf.Position))
	if err != nil {
		return Progress{}, fmt.Errorf("read operating times: %w", err)
	}
	eyes, err := pg.Structs[followedEye](ctx, tx, surgeonEyesSQL, surgeon, int64(asOf.Position))
	if err != nil {
		return Progress{}, fmt.Errorf("read follow-up: %w", err)
	}
	for _, c := range straddling {
		o := outcome.OperationOf(c)
		if !slices.ContainsFunc(EntriesOf(c, o.Row), func(e Entry) bool { return e.Surgeon == surgeon }) {
			continue
		}
		if o.FirstOperator == surgeon {
			lengths = append(lengths, operationLength{o.CaseCode, o.OperatingSeconds})
		}
		eyes = append(eyes, followedEyeOf(*o.Eye))
	}
	p, err := progressOf(standing, done, steps, lengths)
	if err != nil {
		return Progress{}, err
	}
	p.Surgeon = surgeon
	p.Missing = missingOf(eyes, asOf.RecordedAt)
	return p, nil
}

// operationLength is how long an operation took that the surgeon began.
type operationLength struct {
	CaseCode         string
	OperatingSeconds *int64
}

// progressOf sums up what was read.
func progressOf(s Surgeon, done []Entry, steps []StepEntry, lengths []operationLength) (Progress, error) {
	numbers := NewNumbering(s, done)
	p := Progress{Surgeon: s.Surgeon, Enrolled: s.Enrolled, Post: s.Post, Trainee: s.Trainee, CaseNumber: numbers.Reached(),
		PriorWhole: int(s.PriorWhole), PriorPart: int(s.PriorPart), Steps: []StepProgress{}}.Against(Minimums)
	length := make(map[string]*int64, len(lengths))
	for _, l := range lengths {
		length[l.CaseCode] = l.OperatingSeconds
	}
	var ruptures, takeovers []measure.CaseEvent
	var minutes []measure.CaseValue
	unknown := 0
	for i, e := range done {
		number := max(1, numbers.numbers[i])
		if !e.Whole {
			p.PartCases++
		} else {
			p.WholeCases++
			switch seconds, own := length[e.CaseCode]; {
			case own && seconds != nil:
				minutes = append(minutes, measure.CaseValue{Case: number, Value: float64(*seconds) / 60})
			case own:
				unknown++
			}
		}
		if e.Enters && e.OutcomeKnown {
			ruptures = append(ruptures, measure.CaseEvent{Case: number, Event: e.Rupture})
			if e.TakenOver != nil {
				takeovers = append(takeovers, measure.CaseEvent{Case: number, Event: *e.TakenOver})
			}
		}
	}
	var err error
	if p.OperatingTime, err = curveOf("minutes", minutes, unknown); err != nil {
		return p, err
	}
	if p.Rupture, err = ratesByBand(ruptures, p.CaseNumber); err != nil {
		return p, err
	}
	if p.Takeover, err = ratesByBand(takeovers, p.CaseNumber); err != nil {
		return p, err
	}
	for _, runs := range stepRunsOf(numbers, steps) {
		step, err := stepProgressOf(runs)
		if err != nil {
			return p, err
		}
		p.Steps = append(p.Steps, step)
	}
	return p, nil
}

// StepRuns are all runs of one step by one surgeon, in the order of the operations.
type StepRuns struct {
	Step     string    `json:"step"`
	Critical bool      `json:"critical"`
	Runs     []StepRun `json:"runs"`
}

// StepRun is one run of a step.
type StepRun struct {
	Case        string    `json:"case"`
	CaseNumber  int       `json:"case_number"` // whole cases by then, prior ones added
	StartedAt   time.Time `json:"started_at"`  // of the operation
	Seconds     *int32    `json:"seconds"`     // null when unknown
	Supervision string    `json:"supervision"`
	Failed      *bool     `json:"failed"` // handed over unplanned in this run; null when not known
	Whole       bool      `json:"whole"`  // the surgeon did the whole operation
}

// Steps gives every run of every step of a surgeon as of a position, the steps in
// their usual order.
func Steps(ctx context.Context, tx pgx.Tx, surgeon string, asOf archive.AsOf) ([]StepRuns, error) {
	standing, err := Standing(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	straddling, err := straddlingOf(ctx, tx, surgeon, asOf)
	if err != nil {
		return nil, err
	}
	done, err := entries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return nil, err
	}
	steps, err := stepEntries(ctx, tx, surgeon, asOf, straddling)
	if err != nil {
		return nil, err
	}
	return stepRunsOf(NewNumbering(standing, done), steps), nil
}

func stepRunsOf(numbers Numbering, steps []StepEntry) []StepRuns {
	byStep := make([]StepRuns, len(events.StepOrder))
	for _, e := range steps {
		number := numbers.At(e.StartedAt, e.CaseCode)
		for i, step := range e.Steps {
			at := slices.Index(events.StepOrder, events.Step(step))
			if at < 0 {
				continue
			}
			byStep[at].Runs = append(byStep[at].Runs, StepRun{Case: e.CaseCode, CaseNumber: number, StartedAt: e.StartedAt,
				Seconds: e.Seconds[i], Supervision: e.Supervision[i], Failed: e.Failed[i], Whole: e.Whole})
		}
	}
	out := []StepRuns{}
	for at, s := range byStep {
		if len(s.Runs) > 0 {
			s.Step, s.Critical = string(events.StepOrder[at]), slices.Contains(events.CriticalSteps, events.StepOrder[at])
			out = append(out, s)
		}
	}
	return out
}
