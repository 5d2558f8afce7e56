-- Called by alarm.List: acknowledgements and owners of the alarms of some charts.
SELECT chart, ordinal, did, handled_at, department, alarm, note, owner, due_on, handled_by
FROM alarm_handling WHERE chart = ANY ($1) ORDER BY chart, ordinal
