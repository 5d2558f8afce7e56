-- Called by projector.apply, first of all: the lock that makes projectors and a
-- rebuild's swap take turns, and the fence that a stale projector can't pass.
SELECT position, fence, epoch, recorded_high FROM stream_state FOR UPDATE
