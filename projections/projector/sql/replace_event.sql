-- Called by projector.replace: an archived event without the person's code.
UPDATE event_log SET hash = $2, wire_hash = $3, subject = $4, headers = $5, body = $6 WHERE sequence = $1
