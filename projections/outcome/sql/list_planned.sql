-- Called by outcome.ListPlanned: codes of cases booked from a day on that neither started nor were cancelled, soonest first.
SELECT case_code FROM operation WHERE department = ANY ($1) AND awaited_on >= $2 ORDER BY awaited_on, case_code LIMIT $3
