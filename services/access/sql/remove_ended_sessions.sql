-- Sessions.removeEnded: what the limits have ended.
DELETE FROM session WHERE ends_at <= $1 OR used_at <= $2
