-- Called by outcome.CasesOf: cases that a position cuts in two, and that ever named the surgeon.
SELECT case_code FROM operation WHERE first_position <= $1 AND last_position > $1 AND $2 = ANY (surgeons_seen) ORDER BY case_code
