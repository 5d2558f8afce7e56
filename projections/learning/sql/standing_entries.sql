-- Called by learning.Entries: a surgeon's chart entries from cases that stand as of a position.
SELECT e.case_code, e.surgeon, e.department, e.started_at, e.whole, e.enters, e.outcome_known, e.rupture, e.taken_over, e.odds_ratio_millionths
FROM chart_entry e JOIN operation o ON o.case_code = e.case_code
WHERE e.surgeon = $1 AND o.last_position <= $2
ORDER BY e.started_at, e.case_code
