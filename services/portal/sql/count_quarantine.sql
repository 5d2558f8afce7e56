-- Called by portal.intake: how many wait in quarantine, and how many were replayed.
SELECT count(*) FILTER (WHERE released_as IS NULL), count(released_as) FROM quarantine
