package portal

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/feedback"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// caseView is one case's record.
type caseView struct {
	frame
	Code          string
	Asked         string        // another code of the same operation, by which it was asked for
	Problems      []problemView // of a review that wasn't stored
	Recorded      string        // what became of a review just sent
	Answer        string
	Neighbours    []link        // the first operator's cases before and after
	Mark          string        // address of the page that marks the recording; empty when the reader can't
	LastTime      *lastTimeView // what was said before; nil where the reader doesn't see the surgeon's record
	Stage         *stageView    // nil for a case that isn't an operation
	Facts         []factView
	Operators     []string
	Steps         []stepView // as recorded; nil where the stage shows them
	Measured      tableView
	Complications []complicationView
	Attribution   string // whose the capsule rupture is, by rule
	Preop         []factView
	Plan          *planView
	Implant       []factView
	Outcome       []factView // nil where the operation stays out of the benchmarks
	Visits        tableView
	Reviews       []string
	Form          *caseReviewForm // nil when the reader can't review
	Risk          string
	RiskLater     string
	Factors       []factView
	Unknown       string
	Flags         []string
	Conflicts     []string
	Corrections   []string
	Timeline      tableView // every event that stands, in order
	Questions     recordQuestionsView
}

// factView is a named value.
type factView struct{ Name, Value string }

type stepView struct{ Step, Started, Took, Operator, Supervision string }

type complicationView struct {
	Kind, Recorded, Noticed, Caused, Vitreous, Management string
}

// caseRecord serves GET /cases/{case}. Row policies decide whose case it is.
func (s *Service) caseRecord(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.casePage(w, r, actor, http.StatusOK, nil, nil)
}

// casePage shows a case; sent is a review that wasn't stored, and why.
func (s *Service) casePage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, sent *caseReviewForm, problems []problemView) error {
	asked := mux.Vars(r)["case"]
	var record outcome.Record
	var evidence *feedback.Evidence
	var beside outcome.Neighbours
	var around frame
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) (err error) {
		if record, err = outcome.Read(r.Context(), tx, asked, asOf); err != nil {
			return err
		}
		around = s.frame(r.Context(), actor, "What happened in this case?", &asOf)
		if beside, err = outcome.ReadNeighbours(r.Context(), tx, record.Row); err != nil {
			return err
		}
		evidence, err = evidenceOf(r.Context(), tx, record)
		return err
	})
	if err != nil {
		return err
	}
	stage, err := s.stageOf(r.Context(), evidence)
	if err != nil {
		return err
	}
	view, err := caseWords(record, stage)
	if err != nil {
		return err
	}
	if asked != view.Code {
		view.Asked = asked
	}
	view.frame, view.Problems = around, problems
	view.Recorded = recordedReview(record.Case, r.URL.Query().Get("recorded"))
	view.Questions = s.recordQuestions(actor, record, r.URL.Query().Get("recorded"))
	if s.canReview(actor, record.Row) {
		if view.Form = sent; sent == nil {
			view.Form = newCaseReviewForm(view.Code, s.cfg.Now(), rand.Text())
		}
		view.Form.offer(knownPoints(stage, evidence))
		view.Mark = recordingHref(view.Code)
	}
	view.Neighbours = neighbourLinks(record.Row.FirstOperator, beside)
	return s.render(w, status, "case", view)
}

// caseWords words a record and, of an operation, its summary.
func caseWords(record outcome.Record, stage *feedback.Stage) (caseView, error) {
	c, row := record.Case, record.Row
	v := caseView{Code: c.Code, Operators: operatorWords(c), Implant: implantWords(c.Lens), Measured: measuredTable(c), LastTime: lastTimeWords(stage)}
	if stage == nil {
		v.Steps = stepWords(c.Steps)
	}
	v.Timeline = tableView{Name: "Record", Caption: "Every event that stands, in the order of its time", Head: heads("What", "When", "From")}
	v.Answer = caseAnswer(c)
	v.Facts = caseFacts(c, row, stage)
	v.Stage, v.Reviews = stageWords(stage)
	v.Preop, v.Plan, v.Outcome, v.Visits = preopWords(c.Preop), planWords(c), outcomeFacts(c, row), visitTable(c)
	for _, k := range c.Complications {
		v.Complications = append(v.Complications, complicationWords(k))
	}
	if k, ok := c.Rupture(); ok {
		v.Attribution = "Counts as the operation's one capsule rupture. First operator: " + person(c.FirstOperator()) +
			"; responsible consultant: " + person(c.Responsible()) + "; operator at cause: " + person(c.CauseOf(k)) + causeBasis(k) + "."
	}
	v.riskWords(c, row)
	var flags []fold.Flag
	if err := json.Unmarshal([]byte(row.Flags), &flags); err != nil {
		return v, errors.Join(errors.New("read the flags of a case"), err)
	}
	for _, f := range flags {
		v.Flags = append(v.Flags, flagWords(f))
	}
	for _, id := range c.Conflicts {
		v.Conflicts = append(v.Conflicts, "Event "+id.ID+" of "+id.Source+" arrived with two contents; neither counts until an amendment replaces both.")
	}
	for _, e := range c.Timeline {
		v.Timeline.Rows = append(v.Timeline.Rows, cells(eventName(e.Type), day(e.Time)+", "+clock(e.Time), e.Source))
		if e.Amended {
			v.Corrections = append(v.Corrections, fmt.Sprintf("The event “%s” of %s (%s of %s) was amended; this page shows the amended content.",
				eventName(e.Type), moment(e.Time), e.ID, e.Source))
		}
	}
	if c.Retracted > 0 {
		v.Corrections = append(v.Corrections, sentence(plural(c.Retracted, "event was taken back and isn't shown.", "events were taken back and aren't shown.")))
	}
	return v, nil
}

// person is a surgeon's code.
func person(code string) string {
	if code == "" {
		return notRecorded
	}
	return code
}

func causeBasis(k fold.Complication) string {
	if k.CausedBy == "" {
		return " (by rule, since no cause is recorded)"
	}
	return " (as recorded)"
}

// caseAnswer says in a few sentences what the case came to.
func caseAnswer(c fold.Case) string {
	eye := "The eye"
	if c.Booked != nil {
		eye = eyeWords(string(c.Booked.Eye))
	}
	switch {
	case c.Started == nil && c.Cancelled != nil:
		return fmt.Sprintf("%s: cancelled %s, reason %s. Not an operation.", eye, plain(string(c.Cancelled.Stage)), plain(string(c.Cancelled.Reason)))
	case c.Started == nil:
		return eye + ": no start of an operation is recorded yet."
	}
	out := fmt.Sprintf("%s, operated on %s.", eye, day(c.StartedAt))
	if c.Cancelled != nil {
		out += " Abandoned after the incision; it counts as an operation."
	}
	switch _, ruptured := c.Rupture(); {
	case ruptured:
		out += " A capsule rupture is recorded."
	case !c.OutcomeKnown():
		out += " No end is recorded, so the outcome isn't known yet."
	default:
		out += " No capsule rupture is recorded."
	}
	switch c.TakenOver(c.FirstOperator()) {
	case events.Yes:
		out += " The first operator was stopped unplanned."
	case events.Unknown:
		out += " Whether the hand-over was planned isn't recorded."
	}
	return out
}

func caseFacts(c fold.Case, row outcome.Row, stage *feedback.Stage) []factView {
	facts := []factView{{"Case", c.Code}, {"Department", person(c.Department)}}
	if b := c.Booked; b != nil {
		facts = append(facts, factView{"Eye", eyeWords(string(b.Eye))}, factView{"First or second eye", plain(string(b.FirstOrSecondEye))},
			factView{"Procedure as planned", procedure(b)}, factView{"List", plain(string(b.ListKind))})
	}
	if c.Started == nil {
		return facts
	}
	facts = append(facts,
		factView{"Case number of " + person(c.FirstOperator()), caseNumber(stage)},
		factView{"Started", day(c.StartedAt) + ", " + clock(c.StartedAt)},
		factView{"Operating time", operatingTime(c)},
		factView{"Supervision at the start", supervision(string(c.Started.Supervision))},
		factView{"Responsible consultant", person(c.Responsible())},
		factView{"Anaesthesia", anaesthesia(c.Started.Anaesthesia)})
	if reason := department.ExcludedReason(row); reason != "" {
		facts = append(facts, factView{"In the benchmarks", "no: " + leftOut(reason)})
	} else {
		facts = append(facts, factView{"In the benchmarks", "yes"})
	}
	return facts
}

func procedure(b *events.CaseBooked) string {
	out := plain(string(b.Procedure))
	var with []string
	for _, w := range b.CombinedWith {
		with = append(with, plain(string(w)))
	}
	if len(with) > 0 {
		out += ", combined with " + list(with)
	}
	return out
}

// caseNumber is where the case stands in the first operator's own count.
func caseNumber(stage *feedback.Stage) string {
	switch {
	case stage == nil || stage.CaseNumber == nil:
		return "not yours to see"
	case !stage.Whole:
		return "none of its own: not a whole case, " + whole(*stage.CaseNumber) + " by then"
	}
	return whole(*stage.CaseNumber)
}

func operatingTime(c fold.Case) string {
	if d, ok := c.OperatingTime(); ok {
		return length(d)
	}
	return unknown
}

func anaesthesia(kinds []events.Anaesthesia) string {
	if len(kinds) == 0 {
		return notRecorded
	}
	var out []string
	for _, k := range kinds {
		out = append(out, plain(string(k)))
	}
	return list(out)
}

// operatorWords tell who operated, hand-over by hand-over.
func operatorWords(c fold.Case) []string {
	if c.Started == nil {
		return nil
	}
	out := []string{person(c.FirstOperator()) + " began, " + supervision(string(c.Started.Supervision)) + "."}
	for _, ch := range c.Changes {
		how := map[events.Fact]string{events.Yes: "unplanned", events.No: "planned", events.Unknown: "not recorded whether planned"}[ch.Unplanned()]
		text := fmt.Sprintf("At %s from %s to %s, %s", clock(ch.At), ch.From, ch.To, how)
		if ch.Reason != "" {
			text += ", reason " + plain(string(ch.Reason))
		}
		if ch.Step != "" {
			text += ", during " + plain(string(ch.Step))
		}
		out = append(out, text+".")
	}
	return out
}

func stepWords(steps []fold.Step) []stepView {
	out := make([]stepView, 0, len(steps))
	for _, st := range steps {
		v := stepView{Step: sentence(plain(string(st.Step))), Started: notRecorded, Took: unknown, Operator: person(st.Operator),
			Supervision: supervision(string(st.Supervision))}
		if !st.StartedAt.IsZero() {
			v.Started = clock(st.StartedAt)
		}
		if !st.StartedAt.IsZero() && !st.FinishedAt.IsZero() && !st.FinishedAt.Before(st.StartedAt) {
			v.Took = length(st.FinishedAt.Sub(st.StartedAt))
		}
		out = append(out, v)
	}
	return out
}

// complicationWords keep apart where it was noticed and where it was caused.
func complicationWords(k fold.Complication) complicationView {
	v := complicationView{Kind: sentence(plain(string(k.Kind))), Recorded: day(k.At) + ", " + clock(k.At),
		Noticed:  stepAndPerson(string(k.NoticedInStep), string(k.NoticedBy)),
		Caused:   stepAndPerson(string(k.CausedInStep), string(k.CausedBy)),
		Vitreous: plain(string(k.Vitreous)), Management: string(k.Management)}
	if k.ClockHours.Known {
		v.Kind += ", " + plural(int(k.ClockHours.Value), "clock hour", "clock hours")
	}
	if v.Management == "" {
		v.Management = notRecorded
	}
	return v
}

func stepAndPerson(step, who string) string {
	switch {
	case step == "" && who == "":
		return notRecorded
	case step == who: // both undetermined
		return plain(step)
	}
	where, by := "step "+notRecorded, "operator "+notRecorded
	if step != "" {
		where = "in " + plain(step)
	}
	if step == events.Undetermined {
		where = "step undetermined"
	}
	if who != "" {
		by = "by " + who
	}
	if who == events.Undetermined {
		by = "operator undetermined"
	}
	return where + ", " + by
}

// riskWords put the expected risk beside what it doesn't know.
func (v *caseView) riskWords(c fold.Case, row outcome.Row) {
	if !row.Counts {
		return
	}
	v.Risk = fmt.Sprintf("Expected risk of a capsule rupture by what was recorded before the start: %s (%s the odds of the reference patient).",
		percent(float64(row.ExpectedNano)/1e9), times(events.Millionths(row.OddsRatioMillionths).Float()))
	if row.ExpectedLaterNano != nil {
		v.RiskLater = fmt.Sprintf("Risk factors were recorded again after the start; with those it would be %s. Charts and figures use the earlier ones.",
			percent(float64(*row.ExpectedLaterNano)/1e9))
	}
	var unknownFactors []string
	for _, f := range row.UnknownFactors {
		unknownFactors = append(unknownFactors, factor(f))
	}
	if len(unknownFactors) > 0 {
		v.Unknown = "Not known, and so taken as in the reference patient: " + list(unknownFactors) + "."
	}
	v.Factors = factorRows(c.Preop)
}

func times(x float64) string { return decimal(x, 2) + " times" }

// factorRows list what the risk model reads, known or not.
func factorRows(p *events.PreopAssessed) []factView {
	if p == nil {
		p = &events.PreopAssessed{}
	}
	number := func(o events.Opt[int64], say func(int64) string) string {
		if !o.Known {
			return unknown
		}
		return say(o.Value)
	}
	values := map[string]string{
		"age_years": number(p.AgeYears, func(n int64) string { return plural(int(n), "year", "years") }),
		"sex":       plain(string(p.Sex)), "glaucoma": fact(p.Glaucoma), "diabetic_retinopathy": fact(p.DiabeticRetinopathy),
		"white_cataract": fact(p.WhiteCataract), "brunescent_cataract": fact(p.BrunescentCataract), "no_fundal_view": fact(p.NoFundalView),
		"vitreous_opacities": fact(p.VitreousOpacities), "pseudoexfoliation": fact(p.Pseudoexfoliation), "phacodonesis": fact(p.Phacodonesis),
		"pupil": plain(string(p.Pupil)), "alpha_blocker": plain(string(p.AlphaBlocker)), "can_lie_flat": fact(p.CanLieFlat),
		"axial_length_um": number(p.AxialLengthUM, func(n int64) string { return decimal(float64(n)/1000, 2) + " mm" }),
	}
	var out []factView
	for _, name := range riskFactors {
		out = append(out, factView{sentence(factor(name)), values[name]})
	}
	return out
}
