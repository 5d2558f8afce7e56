-- Called by outcome.Rows: rows that stand as they are as of a position.
SELECT case_code, merged_into, first_position, last_position, departments_seen, surgeons_seen, department, people, patient, eye,
    counts, excluded, outcome_known, operated_on, started_at, operating_seconds, responsible_consultant, first_operator,
    supervision, rupture, rupture_step, rupture_vitreous, rupture_cause, taken_over, odds_ratio_millionths, expected_nano,
    expected_later_nano, unknown_factors, conflicts, retracted, flags::text AS flags, awaited_on
FROM operation
WHERE last_position <= $1 AND department = $2 AND operated_on BETWEEN $3 AND $4
ORDER BY case_code
