-- Called by outcome.Eyes: rows that stand as they are as of a position.
SELECT case_code, first_position, last_position, departments_seen, surgeons_seen, department, people, patient, eye,
    operated_on, second_eye, copathology, before_on, before_hundredths, before_low_vision, before_convention,
    before_correction, after_on, after_hundredths, after_low_vision, after_convention, after_correction,
    after_unaided_hundredths, after_unaided_low_vision, visual_loss, vision_reason, lens_model, lens_site, formula, biometer,
    constant_millionths, power_hundredths, predicted_hundredths, target_hundredths, refraction_on,
    achieved_thousandths, error_thousandths, target_error_thousandths, refraction_reason, target_reason,
    uncomplicated_in_bag, axial_length_um, mean_k_thousandths, sia_x_micro, sia_y_micro, sia_early_x_micro,
    sia_early_y_micro, sia_reason, incision_meridian_deg, complications, findings, returned, unplanned_attendance,
    endophthalmitis_on, endophthalmitis_certainty, followup_closed
FROM eye_outcome
WHERE last_position <= $1 AND department = $2 AND operated_on BETWEEN $3 AND $4
ORDER BY case_code
