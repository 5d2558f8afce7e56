-- Called by alarm.List and alarm.FalseAlarms as of an earlier position: surgeons that the reader may see, those whose every case went since too.
-- A colleague of another department is left out: the reader sees the entries in the own department alone and no chart, and a chart of a part would mislead.
SELECT surgeon FROM (
    SELECT surgeon FROM chart_entry
    UNION SELECT unnest(surgeons_seen) FROM operation WHERE first_position <= $1 AND last_position > $1
) seen
WHERE EXISTS (SELECT 1 FROM chart c WHERE c.surgeon = seen.surgeon)
   OR NOT EXISTS (SELECT 1 FROM chart_entry e WHERE e.surgeon = seen.surgeon)
ORDER BY surgeon
