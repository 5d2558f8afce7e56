-- Called by alarm.Charts: every design that people set.
SELECT code, first_position, last_position, designed_at, department, outcome, kind, scope, acceptable, unacceptable, threshold, chosen_by,
    closes_after, risk_model, risk_model_version
FROM chart_design
