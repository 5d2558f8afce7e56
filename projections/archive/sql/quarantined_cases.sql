-- Called by archive.setAside: for each of departments $2, the cases that what waits in quarantine is readably
-- about, as of position $1, and how many of these events name none; $3 as in count_quarantined.sql.
SELECT department, coalesce(named_subject(headers, body), '') AS code, count(*) AS events
FROM quarantine
WHERE sequence <= $1 AND (released_as IS NULL OR released_as > $1) AND department = ANY ($2)
    AND split_part(subject, '.', 5) <> ALL ($3)
GROUP BY department, code ORDER BY department, code
