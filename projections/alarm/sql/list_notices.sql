-- Called by alarm.List: the position at which each alarm was first known, and when that was recorded.
SELECT n.alarm, n.position,
    (SELECT a.recorded_high FROM arrival a WHERE a.sequence <= n.position ORDER BY a.sequence DESC LIMIT 1)
FROM alarm_notice n WHERE n.alarm = ANY ($1)
