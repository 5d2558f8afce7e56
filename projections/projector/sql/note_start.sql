-- Called by projector.attempt, once for each start: how often a projector began at
-- this position.
UPDATE stream_state SET attempt_from = position, attempt_alone = 0, attempt_tries = 0,
    attempt_starts = CASE WHEN attempt_from = position THEN attempt_starts + 1 ELSE 1 END
WHERE fence = $1
RETURNING attempt_starts
