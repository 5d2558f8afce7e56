-- Sessions.End: signs out.
DELETE FROM session WHERE id_hash = $1 RETURNING signed_on
