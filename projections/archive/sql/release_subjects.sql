-- Called by archive.ReleasesAt: the codes under which figures of departments $1 were released, as of position $2.
SELECT DISTINCT subject FROM event_log
WHERE about = 'chart' AND type = $3 AND department = ANY ($1) AND sequence <= $2 ORDER BY subject
