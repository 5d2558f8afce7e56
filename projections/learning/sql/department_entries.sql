-- Called by learning.EntriesIn: chart entries of a department's operations that stand as of a position.
SELECT e.case_code, e.surgeon, e.department, e.started_at, e.whole, e.enters, e.outcome_known, e.rupture, e.taken_over, e.odds_ratio_millionths
FROM chart_entry e JOIN operation o ON o.case_code = e.case_code
WHERE o.department = $1 AND o.operated_on BETWEEN $2 AND $3 AND o.last_position <= $4
ORDER BY e.started_at, e.case_code
