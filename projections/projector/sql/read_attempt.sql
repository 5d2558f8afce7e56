-- Called by projector.readAttempts, in the transaction that takes over.
SELECT attempt_from, attempt_starts, attempt_alone, attempt_tries FROM stream_state
