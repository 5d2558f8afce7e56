-- Called by feedback.ReadPeers, as the role figures: composite odds ratios of other trainees' cases of some case numbers.
SELECT n.surgeon, n.odds_ratio_millionths
FROM (
    SELECT e.surgeon, e.odds_ratio_millionths,
        s.prior_whole + count(*) FILTER (WHERE e.whole) OVER (PARTITION BY e.surgeon ORDER BY e.started_at, e.case_code) AS case_number
    FROM chart_entry e JOIN surgeon s ON s.surgeon = e.surgeon
    WHERE s.trainee AND s.enrolled AND s.prior_whole <= $3 AND s.surgeon <> $1
) n
WHERE n.case_number BETWEEN $2 AND $3
ORDER BY n.surgeon, n.odds_ratio_millionths
