-- Called by projector.Release: one quarantined event as it was received.
SELECT sequence, subject, headers, body, released_as FROM quarantine WHERE sequence = $1
