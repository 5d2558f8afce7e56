-- Called by archive.CountQuarantine: how many wait in quarantine, and how many were released.
SELECT count(*) FILTER (WHERE released_as IS NULL), count(released_as) FROM quarantine
