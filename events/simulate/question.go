package simulate

import "lensledger/events"

// How often a trainee says that a record is wrong. Common practice, no source. The
// demo's trainee does so more often, so that there is something to see.
const (
	questionShare    = 0.01
	questionShareOwn = 0.08
	answeredShare    = 0.7
	answeredUpTo     = 14 // days
)

// demoTrainee is whom the demo signs in as.
const demoTrainee = events.Code("S-014")

// questions are what trainees find wrong in the record of a case.
var questions = []option[events.RecordQuestioned]{
	{events.RecordQuestioned{Part: "operator", Words: "The last quadrant was mine, the hand-over came after it"}, 0.3},
	{events.RecordQuestioned{Part: "step", Words: "The end of the capsulorhexis is noted too late, by some minutes"}, 0.3},
	{events.RecordQuestioned{Part: "outcome", Words: "The refraction of the clinic visit is missing, the visit took place"}, 0.2},
	{events.RecordQuestioned{Part: "implant", Words: "The power on the label differs from the one in the record"}, 0.2},
}

// answers are what departments say to that where nothing was amended.
var answers = []option[events.RecordAnswered]{
	{events.RecordAnswered{Answer: events.AnswerLeftAsItIs, Words: "The theatre's list says the same as the record"}, 0.6},
	{events.RecordAnswered{Answer: events.AnswerSentOn, Words: "To the clinic that keeps this part"}, 0.4},
}

// question says now and then that the record is wrong, in a record of its own that
// moves no other. theatre holds the case's events from theatre.
func (c *course) question(theatre *record) *record {
	r := &record{d: c.d, dice: c.stream("question delays"), subject: c.code, stem: c.code + "-pq"}
	d := c.stream("questions")
	share := questionShare
	if c.op.trainee != nil && c.op.trainee.code == demoTrainee {
		share = questionShareOwn
	}
	if asks := d.chance(share); !asks || c.op.trainee == nil || c.op.abandoned || c.op.first != c.op.trainee {
		return r
	}
	asked := pick(d, questions)
	asked.By = c.op.trainee.code
	at := c.at(d, d.between(20, 40))
	id := r.add(at, events.TypeRecordQuestioned, &asked).event.ID
	if !d.chance(answeredShare) {
		return r
	}
	answer := pick(d, answers)
	if theatre.find(events.TypeEventAmended) != nil {
		answer = events.RecordAnswered{Answer: events.AnswerCorrected, Words: "Amended by the theatre"}
	}
	answer.Question, answer.By = events.ID(id), "demo-quality"
	r.add(at+int64(d.between(daySeconds, answeredUpTo*daySeconds)), events.TypeRecordAnswered, &answer)
	return r
}
