-- Called by learning.LastYear: chart entries of some surgeons from a year before their latest one on.
SELECT case_code, surgeon, department, started_at, whole, enters, outcome_known, rupture, taken_over, odds_ratio_millionths
FROM chart_entry WHERE surgeon = ANY ($1)
AND started_at > (SELECT max(started_at) FROM chart_entry WHERE surgeon = ANY ($1)) - interval '1 year 2 days'
