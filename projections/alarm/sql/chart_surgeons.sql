-- Called by alarm.List and alarm.FalseAlarms as of an earlier position: surgeons that the reader may see, those whose every case went since too.
SELECT surgeon FROM chart_entry
UNION SELECT unnest(surgeons_seen) FROM operation WHERE first_position <= $1 AND last_position > $1
ORDER BY surgeon
