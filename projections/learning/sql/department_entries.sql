-- Called by learning.EntriesIn: chart entries of a department's operations that stand as of a position. Each operation's
-- entries are looked up by the index, whatever the planner guesses: the entries of all are many.
SELECT e.case_code, e.surgeon, e.department, e.started_at, e.whole, e.enters, e.outcome_known, e.rupture, e.taken_over, e.odds_ratio_millionths
FROM operation o CROSS JOIN LATERAL (SELECT * FROM chart_entry WHERE case_code = o.case_code OFFSET 0) e
WHERE o.department = $1 AND o.operated_on BETWEEN $2 AND $3 AND o.last_position <= $4
ORDER BY e.started_at, e.case_code
