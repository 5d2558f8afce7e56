-- Called by archive.PositionAt: the largest position such that every recorded time
-- up to it is at or before the given one.
SELECT coalesce((SELECT sequence FROM arrival WHERE recorded_high <= $1 ORDER BY recorded_high DESC, sequence DESC LIMIT 1), 0)
