-- Called by projector.rivalsBetween: pairs of archived events with one identity and different content.
SELECT c.sequence, c.with_sequence, l.subject FROM conflict c JOIN event_log l ON l.sequence = c.with_sequence
WHERE c.sequence > $1 AND c.sequence <= $2 ORDER BY c.sequence, c.with_sequence
