-- Called by projector.dropIndexes: the indexes of some tables, by the statements that drop and make each. Names are found
-- by the search path.
SELECT CASE WHEN c.oid IS NULL THEN format('DROP INDEX %s', i.indexrelid::regclass)
        ELSE format('ALTER TABLE %s DROP CONSTRAINT %I', i.indrelid::regclass, c.conname) END AS drop,
    CASE WHEN c.oid IS NULL THEN pg_get_indexdef(i.indexrelid)
        ELSE format('ALTER TABLE %s ADD CONSTRAINT %I %s', i.indrelid::regclass, c.conname, pg_get_constraintdef(c.oid)) END AS make
FROM unnest($1::text[]) WITH ORDINALITY AS t (name, place)
JOIN pg_index i ON i.indrelid = t.name::regclass
LEFT JOIN pg_constraint c ON c.conindid = i.indexrelid AND c.contype IN ('p', 'u')
ORDER BY t.place, i.indexrelid
