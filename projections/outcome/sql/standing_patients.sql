-- Called by outcome.PatientChecks: what checks need of every eye of the patients operated on in a period, and of those named.
SELECT case_code, patient, eye, operated_on, second_eye, axial_length_um
FROM eye_outcome
WHERE last_position <= $1 AND department = $2 AND patient <> '' AND (patient = ANY ($5) OR patient IN (
    SELECT patient FROM eye_outcome WHERE last_position <= $1 AND department = $2 AND operated_on BETWEEN $3 AND $4))
ORDER BY case_code
