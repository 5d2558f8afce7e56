-- Called by outcome.ConflictingCases: the cases of departments $2 in which an identity ever came with more than one
-- content, as of position $1, but for those that stand since and have no conflict left. A code that was joined to another
-- is that one. straddles says that the case has to be folded as of the position. Conflicts are few and the tables they are
-- looked up in long, whatever the planner guesses: each lookup is one of its own, by the index. The department is
-- asked for within, so that no policy has to be asked about events of others.
WITH rival AS MATERIALIZED (
    SELECT sequence FROM conflict WHERE sequence <= $1
    UNION SELECT with_sequence FROM conflict WHERE sequence <= $1
), named AS MATERIALIZED (
    SELECT DISTINCT e.department, coalesce(nullif(j.merged_into, ''), e.subject) AS code
    FROM rival r
    CROSS JOIN LATERAL (SELECT department, subject FROM event_log
        WHERE sequence = r.sequence AND department = ANY ($2) AND about IN ('case', 'correction') OFFSET 0) e
    LEFT JOIN LATERAL (SELECT merged_into FROM operation WHERE case_code = e.subject OFFSET 0) j ON true
)
SELECT n.department, n.code, coalesce(o.last_position > $1, false) AS straddles
FROM named n
LEFT JOIN LATERAL (SELECT case_code, last_position, conflicts FROM operation WHERE case_code = n.code OFFSET 0) o ON true
WHERE o.case_code IS NULL OR o.last_position > $1 OR o.conflicts > 0
ORDER BY 1, 2
