-- Called by archive.ConflictCounts: the identities that came with more than one content, and the subjects they are about,
-- by source and department.
SELECT e.source, e.department, count(DISTINCT e.id)::integer AS identities,
    (count(DISTINCT e.subject) FILTER (WHERE e.about IN ('case', 'correction')))::integer AS cases
FROM conflict c JOIN event_log e ON e.sequence = c.sequence
GROUP BY e.source, e.department ORDER BY e.source, e.department
