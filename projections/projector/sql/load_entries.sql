-- Called by projector.loadSurgeons: every chart entry of some surgeons, in chart order.
SELECT case_code, surgeon, department, started_at, whole, enters, outcome_known, rupture, taken_over, odds_ratio_millionths
FROM chart_entry WHERE surgeon = ANY ($1) ORDER BY surgeon, started_at, case_code
