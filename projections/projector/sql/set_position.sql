-- Called by projector.apply, last of all.
UPDATE stream_state SET position = $1, recorded_high = $2
