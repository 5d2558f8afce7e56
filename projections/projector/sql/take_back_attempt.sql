-- Called by projector.takeBack: the last attempt failed and the program lives on.
UPDATE stream_state SET
    attempt_starts = CASE WHEN attempt_alone = 0 THEN greatest(attempt_starts - 1, 0) ELSE attempt_starts END,
    attempt_tries = greatest(attempt_tries - 1, 0)
WHERE fence = $1
