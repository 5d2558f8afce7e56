-- Called by department.ReadEyesOfSurgeon: the eyes of a surgeon's operations that are over and enter the charts, of those that
-- stand as of a position.
SELECT y.case_code, y.first_position, y.last_position, y.departments_seen, y.surgeons_seen, y.department, y.people, y.patient,
    y.eye, y.operated_on, y.second_eye, y.copathology, y.before_on, y.before_hundredths, y.before_low_vision,
    y.before_convention, y.before_correction, y.after_on, y.after_hundredths, y.after_low_vision, y.after_convention,
    y.after_correction, y.after_unaided_hundredths, y.after_unaided_low_vision, y.visual_loss, y.vision_reason,
    y.lens_model, y.lens_site, y.formula, y.biometer, y.constant_millionths, y.power_hundredths, y.predicted_hundredths,
    y.target_hundredths, y.refraction_on, y.achieved_thousandths, y.error_thousandths, y.target_error_thousandths,
    y.refraction_reason, y.target_reason, y.uncomplicated_in_bag, y.axial_length_um, y.mean_k_thousandths, y.sia_x_micro,
    y.sia_y_micro, y.sia_early_x_micro, y.sia_early_y_micro, y.sia_reason, y.incision_meridian_deg, y.complications,
    y.findings, y.returned, y.unplanned_attendance, y.endophthalmitis_on, y.endophthalmitis_certainty, y.followup_closed
FROM chart_entry e JOIN eye_outcome y ON y.case_code = e.case_code
WHERE e.surgeon = $1 AND e.enters AND e.outcome_known AND y.last_position <= $2
ORDER BY y.case_code
