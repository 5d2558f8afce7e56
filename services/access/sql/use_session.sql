-- Sessions.Of: notes the use of a session, unless another request just did.
UPDATE session SET used_at = $2 WHERE id_hash = $1 AND used_at <= $3
