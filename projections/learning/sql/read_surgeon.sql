-- Called by learning.Standing: one surgeon's standing.
SELECT surgeon, first_position, last_position, enrolled, department, post, trainee, prior_whole, prior_part FROM surgeon WHERE surgeon = $1
