-- Called by feedback.ReadPeers, as the role figures: composite odds ratios of other trainees' cases of some case numbers.
-- Each trainee's are looked up by the index, whatever the planner guesses: the entries of all are many.
SELECT n.surgeon, n.odds_ratio_millionths
FROM (
    SELECT surgeon, prior_whole FROM surgeon WHERE trainee AND enrolled AND prior_whole <= $3 AND surgeon <> $1 OFFSET 0
) s CROSS JOIN LATERAL (
    SELECT e.surgeon, e.odds_ratio_millionths,
        s.prior_whole + count(*) FILTER (WHERE e.whole) OVER (ORDER BY e.started_at, e.case_code) AS case_number
    FROM chart_entry e WHERE e.surgeon = s.surgeon OFFSET 0
) n
WHERE n.case_number BETWEEN $2 AND $3
ORDER BY n.surgeon, n.odds_ratio_millionths
