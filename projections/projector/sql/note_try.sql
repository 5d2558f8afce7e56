-- Called by projector.attemptAlone, before the event at a position is handled alone.
UPDATE stream_state SET attempt_alone = $2,
    attempt_tries = CASE WHEN attempt_alone = $2 THEN attempt_tries + 1 ELSE 1 END
WHERE fence = $1
RETURNING attempt_tries
