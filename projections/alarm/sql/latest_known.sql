-- Called by alarm.LatestKnown: the position at which the newest alarm of each department became known.
SELECT department, max(position) AS position FROM alarm_notice GROUP BY department
