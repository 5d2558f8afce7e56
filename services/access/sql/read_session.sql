-- Sessions.Of: who is signed in, by the hash of the cookie's id.
SELECT claims, used_at, ends_at FROM session WHERE id_hash = $1
