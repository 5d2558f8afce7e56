-- Called by projector.Release: the position under which the event was sent again, and what was exchanged in it.
UPDATE quarantine SET released_as = $2, mapping = $3 WHERE sequence = $1
