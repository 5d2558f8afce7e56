-- Called by archive.Linked: the given codes that have any join at all.
SELECT DISTINCT c FROM unnest($1::text[]) AS c
WHERE EXISTS (SELECT 1 FROM case_link l WHERE l.subject = c AND l.sequence <= $2)
   OR EXISTS (SELECT 1 FROM case_link l WHERE l.other_case = c AND l.sequence <= $2)
