-- Called by archive.InQuarantine: whether the reader may see this quarantined event.
SELECT EXISTS (SELECT 1 FROM quarantine WHERE sequence = $1)
