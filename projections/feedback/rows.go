package feedback

import (
	_ "embed"
	"strconv"
	"time"

	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
)

// CreateSQL makes the tables of this read model. Its policies name the table
// surgeon, so it comes after learning.CreateSQL.
//
//go:embed sql/create.sql
var CreateSQL string

// PointTable is the teaching_point table.
var PointTable = pg.Table{
	Name: "teaching_point",
	Key:  []string{"case_code", "part"},
	Columns: []string{"case_code", "part", "surgeon", "department", "started_at", "noted_at", "step", "teaching_point",
		"polarity", "consequence", "noted_by", "recording_offset_ms"},
}

// Point is one teaching point as it was noted once. What is unknown is empty.
type Point struct {
	CaseCode      string    `json:"case"`
	Part          string    `json:"-"` // ordinal among the case's notes in the order of the fold, from "1"
	Surgeon       string    `json:"surgeon"`
	Department    string    `json:"department"`
	StartedAt     time.Time `json:"started_at"` // of the operation
	NotedAt       time.Time `json:"noted_at"`
	Step          string    `json:"step"`
	TeachingPoint string    `json:"teaching_point"`
	Polarity      string    `json:"polarity"`
	Consequence   string    `json:"consequence"`
	NotedBy       string    `json:"noted_by"`

	RecordingOffsetMS *int64 `json:"recording_offset_ms"` // where to see it in the recording's file; nil when not said
}

// Key is the case code and the part.
func (p Point) Key() [2]string { return [2]string{p.CaseCode, p.Part} }

// Values lists the row in the order of PointTable.Columns.
func (p Point) Values() []any {
	return []any{p.CaseCode, p.Part, p.Surgeon, p.Department, p.StartedAt, p.NotedAt, p.Step, p.TeachingPoint,
		p.Polarity, p.Consequence, p.NotedBy, p.RecordingOffsetMS}
}

// PointsOf lists the teaching points of a folded case that counts. One that stays
// out of the benchmarks is taught from all the same.
func PointsOf(c fold.Case, row outcome.Row) []Point {
	if !c.Counts() {
		return nil
	}
	var out []Point
	for i, t := range c.Techniques {
		point := Point{CaseCode: c.Code, Part: strconv.Itoa(i + 1),
			Surgeon: concerned(c, string(t.Step), string(t.By), t.At), Department: c.Department,
			StartedAt: *row.StartedAt, NotedAt: moment(t.At), Step: string(t.Step), TeachingPoint: string(t.TeachingPoint),
			Polarity: string(t.Polarity), Consequence: string(t.Consequence), NotedBy: string(t.By)}
		if o := t.RecordingOffsetMS; o.Known {
			point.RecordingOffsetMS = &o.Value
		}
		out = append(out, point)
	}
	return out
}

// concerned is the surgeon whom a note is for: who did that step at that time.
// Common practice, no source.
//
//   - A note made while a run of its step lasted is for who did that run.
//   - A note made at another time, say from the recording, is for the first who did
//     the step, other than the one who noted it: a trainer who took over notes for
//     the trainee.
//   - Without a record of the step it is for the operator at the time; once the
//     operation is over, for the first operator.
func concerned(c fold.Case, step, by string, at time.Time) string {
	var did []string
	for _, s := range c.Steps {
		if step == "" || string(s.Step) != step {
			continue
		}
		who := operatorOf(c, s)
		if !s.StartedAt.IsZero() && !s.StartedAt.After(at) && !s.FinishedAt.IsZero() && !s.FinishedAt.Before(at) {
			return who
		}
		did = append(did, who)
	}
	for _, who := range did {
		if who != by {
			return who
		}
	}
	if len(did) > 0 {
		return did[0]
	}
	if !c.FinishedAt.IsZero() && at.After(c.FinishedAt) {
		return c.FirstOperator()
	}
	return c.OperatorAt(at)
}

// operatorOf is who did a run of a step: as recorded, else by the hand-overs.
func operatorOf(c fold.Case, s fold.Step) string {
	if s.Operator != "" {
		return s.Operator
	}
	if s.StartedAt.IsZero() {
		return c.OperatorAt(s.FinishedAt)
	}
	return c.OperatorAt(s.StartedAt)
}

// ReviewTable is the case_review table.
var ReviewTable = pg.Table{
	Name: "case_review",
	Key:  []string{"case_code", "part"},
	Columns: []string{"case_code", "part", "surgeon", "department", "started_at", "reviewed_at", "trainer", "at_this_stage",
		"teaching_points", "agreed_action", "supervision_next"},
}

// Review is one trainer's review of a case with its first operator. AtThisStage
// is "above", "as" or "below" what is usual at this stage, or empty.
type Review struct {
	CaseCode        string    `json:"case"`
	Part            string    `json:"-"` // ordinal among the case's reviews in the order of the fold, from "1"
	Surgeon         string    `json:"surgeon"`
	Department      string    `json:"department"`
	StartedAt       time.Time `json:"started_at"` // of the operation
	ReviewedAt      time.Time `json:"reviewed_at"`
	Trainer         string    `json:"trainer"`
	AtThisStage     string    `json:"at_this_stage"`
	TeachingPoints  []string  `json:"teaching_points"`
	AgreedAction    string    `json:"agreed_action"`
	SupervisionNext string    `json:"supervision_next"`
}

// Key is the case code and the part.
func (r Review) Key() [2]string { return [2]string{r.CaseCode, r.Part} }

// Values lists the row in the order of ReviewTable.Columns.
func (r Review) Values() []any {
	return []any{r.CaseCode, r.Part, r.Surgeon, r.Department, r.StartedAt, r.ReviewedAt, r.Trainer, r.AtThisStage,
		r.TeachingPoints, r.AgreedAction, r.SupervisionNext}
}

// ReviewsOf lists the reviews of a folded case that counts.
func ReviewsOf(c fold.Case, row outcome.Row) []Review {
	if !c.Counts() {
		return nil
	}
	var out []Review
	for i, r := range c.Reviews {
		points := make([]string, len(r.TeachingPoints))
		for k, p := range r.TeachingPoints {
			points[k] = string(p)
		}
		out = append(out, Review{CaseCode: c.Code, Part: strconv.Itoa(i + 1), Surgeon: c.FirstOperator(), Department: c.Department,
			StartedAt: *row.StartedAt, ReviewedAt: moment(r.At), Trainer: string(r.Trainer), AtThisStage: string(r.AtThisStage),
			TeachingPoints: points, AgreedAction: string(r.AgreedAction), SupervisionNext: string(r.SupervisionNext)})
	}
	return out
}

// moment is a time as Postgres keeps it.
func moment(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }
