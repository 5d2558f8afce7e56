-- Called by feedback.Questions: questions about records, the open ones first, the oldest of them first; then the latest answered.
SELECT case_code, number, source, question, surgeon, department, asked_at, about, words, answers, answered_at, answer, answer_words, answered_by
FROM record_question
WHERE ($1 = '' OR department = $1) AND ($2 = '' OR surgeon = $2) AND (answers = 0 OR NOT $3)
ORDER BY answers > 0, CASE WHEN answers = 0 THEN asked_at END, answered_at DESC, case_code, number
LIMIT $4
