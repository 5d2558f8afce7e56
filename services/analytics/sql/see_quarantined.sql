-- Called by Replay: whether the reader may see this event of the quarantine.
SELECT sequence FROM quarantine WHERE sequence = $1
