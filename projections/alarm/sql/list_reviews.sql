-- Called by alarm.Charts and alarm.List: reviews and restarts of some charts.
SELECT chart, ordinal, restart, reviewed_at, department, alarm, finding, action, reviewed_by
FROM chart_review WHERE chart = ANY ($1) ORDER BY chart, ordinal
