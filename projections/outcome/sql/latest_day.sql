-- Called by outcome.LatestDay: the latest day of operation of some departments, each by the index's end.
SELECT max(latest.operated_on)
FROM unnest($1::text[]) AS d (code), LATERAL (
    SELECT operated_on FROM operation WHERE department = d.code AND operated_on IS NOT NULL ORDER BY operated_on DESC LIMIT 1) AS latest
