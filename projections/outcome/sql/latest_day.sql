-- Called by outcome.LatestDay: the latest day of operation of some departments.
SELECT max(operated_on) FROM operation WHERE department = ANY ($1)
