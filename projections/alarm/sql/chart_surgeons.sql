-- Called by alarm.List as of an earlier position: surgeons that the reader may see.
SELECT DISTINCT surgeon FROM chart_entry ORDER BY surgeon
