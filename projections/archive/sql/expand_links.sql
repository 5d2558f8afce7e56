-- Called by archive.Linked: every case code that joins up to a position link to
-- the given ones, standing or not, with one code to stand for each group's walk.
WITH RECURSIVE link (a, b) AS (
    SELECT subject, other_case FROM case_link WHERE sequence <= $2
    UNION
    SELECT other_case, subject FROM case_link WHERE sequence <= $2
), reached (start, code) AS (
    SELECT c, c COLLATE "C" FROM unnest($1::text[]) AS c
    UNION
    SELECT r.start, l.b FROM reached r JOIN link l ON l.a = r.code
)
SELECT start, code FROM reached WHERE start <> code ORDER BY start, code
