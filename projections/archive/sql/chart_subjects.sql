-- Called by archive.ChartSubjects: every chart code that any event was about.
SELECT DISTINCT subject FROM event_log WHERE about = 'chart' AND sequence <= $1 ORDER BY subject
