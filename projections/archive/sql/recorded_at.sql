-- Called by archive.RecordedAt: the greatest recorded time up to a position.
SELECT recorded_high FROM arrival WHERE sequence <= $1 ORDER BY sequence DESC LIMIT 1
