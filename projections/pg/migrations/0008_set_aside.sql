-- +goose Up

-- The code that an event in quarantine names as its subject, as far as it can be
-- read: what can't be read as an event may still say which case it is about. Of a
-- body only the beginning is looked at. Octets that are no text do no harm here.
-- +goose StatementBegin
CREATE FUNCTION named_subject(headers jsonb, body bytea) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT coalesce(
        substring(headers->'ce-subject'->>0 FROM '^[A-Za-z0-9_-]{1,40}$'),
        substring(encode(substring(body FROM 1 FOR 65536), 'escape') FROM '"subject"[[:space:]]*:[[:space:]]*"([A-Za-z0-9_-]{1,40})"'))
$$;
-- +goose StatementEnd

-- Figures say how many cases are left out of them, also to those who read nothing
-- of a department but its sums.
ALTER POLICY quarantine_read ON quarantine USING (
    CASE (SELECT current_setting('app.role', true))
        WHEN 'quality' THEN department IN (SELECT departments_in_view())
        WHEN 'figures' THEN department IN (SELECT departments_in_view())
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        ELSE false
    END);

-- +goose Down
ALTER POLICY quarantine_read ON quarantine USING (
    CASE current_setting('app.role', true)
        WHEN 'quality' THEN is_own_department(department)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        ELSE false
    END);
DROP FUNCTION named_subject(jsonb, bytea);
