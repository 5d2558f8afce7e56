-- Called by alarm.List: the alarms that the reader may see, latest first.
SELECT alarm, chart, ordinal, surgeon, department, outcome, kind, case_code, case_number, crossed_at, value, threshold
FROM alarm ORDER BY crossed_at DESC, alarm
