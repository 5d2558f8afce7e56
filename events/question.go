package events

// RecordQuestioned: an operator of a case says that its record is wrong. It
// changes no figure: what is wrong is put right by an amendment.
type RecordQuestioned struct {
	Part  RecordPart `wire:"part,required"`
	Words Text       `wire:"words,required"` // no names and no patient's details
	By    Code       `wire:"by,required"`
}

// RecordAnswered: the department answers a question about the case's record.
type RecordAnswered struct {
	Question ID           `wire:"question,required"` // id of the question's event
	Answer   RecordAnswer `wire:"answer,required"`
	Words    Text         `wire:"words"`
	By       Code         `wire:"by,required"`
}
