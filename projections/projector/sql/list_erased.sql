-- Called by projector.missing: positions of a range whose message is meant to be gone.
SELECT sequence FROM arrival WHERE sequence BETWEEN $1 AND $2 AND disposition = 'erased' ORDER BY sequence
