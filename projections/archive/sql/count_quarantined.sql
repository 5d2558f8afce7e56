-- Called by archive.QuarantineCounts: what waits in quarantine and what was sent again, by source and
-- reason, as of position $1; of department $2 alone unless that is empty.
SELECT source, department, reason,
    count(*) FILTER (WHERE released_as IS NULL OR released_as > $1) AS waiting,
    count(*) FILTER (WHERE released_as <= $1) AS released
FROM quarantine
WHERE sequence <= $1 AND ($2::text = '' OR department = $2)
GROUP BY source, department, reason ORDER BY source, department, reason
