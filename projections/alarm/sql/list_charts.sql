-- Called by alarm.States: where the charts stand that the reader may see.
SELECT chart, surgeon, department, outcome, kind, design, cases, events, left_out, value, threshold, alarms, closed
FROM chart ORDER BY surgeon, kind DESC, outcome
