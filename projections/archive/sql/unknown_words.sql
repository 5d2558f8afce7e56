-- Called by archive.UnknownWords: by source, department, field and value, the problems of codes $1 that events waiting in
-- quarantine have; $2 are the nouns of events that are about no case. An index in a list is no part of the field's name.
-- Most cases first, at most $3.
SELECT source, department, field, value, count(DISTINCT sequence)::integer AS events, count(DISTINCT code)::integer AS cases
FROM (
    SELECT q.sequence, q.source, q.department,
        regexp_replace(p->>'pointer', '/[0-9]+(/|$)', '/*\1', 'g') AS field,
        coalesce(substring(p->>'detail' FROM 'found "((?:[^"\\]|\\.)*)"'), '') AS value,
        CASE WHEN split_part(q.subject, '.', 5) <> ALL ($2) THEN named_subject(q.headers, q.body) END AS code
    FROM quarantine q CROSS JOIN LATERAL jsonb_array_elements(q.problems) p
    WHERE q.released_as IS NULL AND p->>'code' = ANY ($1)
) u
GROUP BY source, department, field, value
ORDER BY cases DESC, events DESC, source, department, field, value LIMIT $3
