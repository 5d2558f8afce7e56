-- Called by archive.QuarantineCounts: what waits in quarantine and what was sent again, by source and
-- reason, as of position $1; of departments $2 alone unless that is null. Cases are those that what
-- waits is readably about; $3 are the nouns of events that are about something else.
SELECT source, department, reason,
    count(*) FILTER (WHERE waits) AS waiting,
    count(*) FILTER (WHERE NOT waits) AS released,
    count(DISTINCT code) FILTER (WHERE waits) AS cases
FROM (
    SELECT source, department, reason, released_as IS NULL OR released_as > $1 AS waits,
        CASE WHEN split_part(subject, '.', 5) <> ALL ($3) THEN named_subject(headers, body) END AS code
    FROM quarantine
    WHERE sequence <= $1 AND ($2::text[] IS NULL OR department = ANY ($2))
) q
GROUP BY source, department, reason ORDER BY source, department, reason
