-- Called by outcome.Read: one case code's row.
SELECT case_code, merged_into, first_position, last_position, departments_seen, surgeons_seen, department, people, patient, eye,
    counts, excluded, outcome_known, operated_on, started_at, operating_seconds, responsible_consultant, first_operator,
    supervision, rupture, rupture_step, rupture_vitreous, rupture_cause, taken_over, odds_ratio_millionths, expected_nano,
    expected_later_nano, unknown_factors, conflicts, retracted, flags::text AS flags, awaited_on
FROM operation WHERE case_code = $1
