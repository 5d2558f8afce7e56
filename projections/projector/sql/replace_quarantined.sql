-- Called by projector.replace: a quarantined message without the person's code.
UPDATE quarantine SET reason = coalesce($2, reason), problems = $3, headers = $4, body = $5, mapping = NULL WHERE sequence = $1
