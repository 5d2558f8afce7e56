-- Called by projector.takeOver: whoever raised the fence last is the one that writes.
UPDATE stream_state SET fence = fence + 1, epoch = $1 RETURNING fence
