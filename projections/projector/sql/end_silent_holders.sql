-- Called by projector.takeOver: ends the sessions that keep the position locked and
-- have waited for their program for more than $1 seconds. That is a projector which
-- was stopped or cut off within a transaction; its transaction is rolled back.
SELECT count(pg_terminate_backend(a.pid))
FROM pg_stat_activity a
WHERE a.pid <> pg_backend_pid() AND a.usename = session_user
  AND a.wait_event = 'ClientRead' AND a.state_change < clock_timestamp() - make_interval(secs => $1)
  AND EXISTS (
      SELECT FROM pg_locks l
      WHERE l.pid = a.pid AND l.granted AND l.relation = 'stream_state'::regclass AND l.mode IN ('RowShareLock', 'RowExclusiveLock')
  )
