-- Called by outcome.ConflictingCases: the cases of departments $2 in which an identity ever came with more than one
-- content, as of position $1, but for those that stand since and have no conflict left. A code that was joined to another
-- is that one. straddles says that the case has to be folded as of the position.
SELECT DISTINCT e.department, s.code, coalesce(o.last_position > $1, false) AS straddles
FROM conflict c
JOIN event_log e ON e.sequence = c.sequence OR e.sequence = c.with_sequence
LEFT JOIN operation j ON j.case_code = e.subject
CROSS JOIN LATERAL (SELECT coalesce(nullif(j.merged_into, ''), e.subject) AS code) s
LEFT JOIN operation o ON o.case_code = s.code
WHERE c.sequence <= $1 AND e.department = ANY ($2) AND e.about IN ('case', 'correction')
    AND (o.case_code IS NULL OR o.last_position > $1 OR o.conflicts > 0)
ORDER BY 1, 2
