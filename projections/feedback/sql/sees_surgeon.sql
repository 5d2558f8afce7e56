-- Called by feedback.ReadEvidence: whether the reader sees the surgeon's whole record, and not only cases shared with somebody else.
SELECT CASE current_setting('app.role', true)
    WHEN 'quality' THEN EXISTS (SELECT 1 FROM surgeon WHERE surgeon = $1)
    ELSE coalesce($1 = ANY (string_to_array(current_setting('app.surgeons', true), ',')), false)
END
