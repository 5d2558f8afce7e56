-- Called by projector.Release: the position under which the event was sent again.
UPDATE quarantine SET released_as = $2 WHERE sequence = $1
