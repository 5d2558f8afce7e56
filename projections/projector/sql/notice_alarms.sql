-- Called by projector.noticeAlarms: an alarm is announced once, when it is first known.
INSERT INTO alarm_notice (alarm, department, surgeon, position)
SELECT a, d, s, $4 FROM unnest($1::text[], $2::text[], $3::text[]) AS k (a, d, s)
ON CONFLICT (alarm) DO NOTHING RETURNING alarm
