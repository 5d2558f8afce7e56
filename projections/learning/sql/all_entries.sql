-- Called by learning.Entries: a surgeon's chart entries as they are now.
SELECT case_code, surgeon, department, started_at, whole, enters, outcome_known, rupture, taken_over, odds_ratio_millionths
FROM chart_entry WHERE surgeon = $1 ORDER BY started_at, case_code
