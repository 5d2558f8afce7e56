-- Called by projector.advance: whether an event before a position was replaced between it and another.
SELECT EXISTS (SELECT 1 FROM erasure WHERE sequence > $1 AND sequence <= $2 AND position <= $1)
