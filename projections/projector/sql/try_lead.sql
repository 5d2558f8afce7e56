-- Called by projector.askToLead: the lock is of this connection, and of this database
-- and archive ($1) alone.
SELECT pg_try_advisory_lock(hashtextextended('lensledger projector ' || $1::text, 0))
