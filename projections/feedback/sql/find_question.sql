-- Called by feedback.QuestionByID: the question of an event's id, an open one first.
SELECT case_code, number, source, question, surgeon, department, asked_at, about, words, answers, answered_at, answer, answer_words, answered_by
FROM record_question WHERE question = $1
ORDER BY answers > 0, asked_at, case_code, number
LIMIT 1
