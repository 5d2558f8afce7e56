-- Called by projector.ReleaseUnderstood: what waits in quarantine for some reasons.
SELECT sequence FROM quarantine WHERE released_as IS NULL AND reason = ANY ($1) ORDER BY sequence
