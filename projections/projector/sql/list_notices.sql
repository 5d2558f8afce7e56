-- Called by projector.renameNotices: what was announced of a surgeon.
SELECT alarm, department, position FROM alarm_notice WHERE surgeon = $1
