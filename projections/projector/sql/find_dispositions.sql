-- Called by projector.dispositions: what became of some messages.
SELECT sequence, disposition FROM arrival WHERE sequence = ANY ($1)
