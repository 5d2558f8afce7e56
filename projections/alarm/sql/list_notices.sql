-- Called by alarm.List: the position at which each alarm was first known.
SELECT alarm, position FROM alarm_notice WHERE alarm = ANY ($1)
