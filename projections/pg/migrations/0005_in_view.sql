-- +goose Up

-- Whose rows are in view. Unset means nothing. The role figures is no person's: the
-- program takes it to sum up a department, after the API has checked that the caller
-- may have the sums. Policies ask in a sub-select, department IN (SELECT
-- departments_in_view()) OR people && (SELECT people_in_view()), so that the answer
-- is worked out once for a question and not for each of its rows.
-- +goose StatementBegin
CREATE FUNCTION departments_in_view() RETURNS SETOF text LANGUAGE sql STABLE AS $$
    SELECT unnest(string_to_array(current_setting('app.departments', true), ','))
    WHERE current_setting('app.role', true) IN ('quality', 'figures')
$$;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE FUNCTION people_in_view() RETURNS text[] LANGUAGE sql STABLE AS $$
    SELECT CASE WHEN current_setting('app.role', true) IN ('trainer', 'trainee')
        THEN string_to_array(current_setting('app.surgeons', true), ',') END
$$;
-- +goose StatementEnd

ALTER POLICY event_log_read ON event_log USING (
    -- A case is folded from all its events or not at all: whoever sees the case
    -- sees those that another department sent.
    CASE (SELECT current_setting('app.role', true))
        WHEN 'quality' THEN department IN (SELECT departments_in_view()) OR sees_subject(subject)
        WHEN 'figures' THEN department IN (SELECT departments_in_view()) OR sees_subject(subject)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        WHEN 'trainer' THEN sees_subject(subject)
        WHEN 'trainee' THEN sees_subject(subject)
        ELSE false
    END);
ALTER POLICY alarm_notice_read ON alarm_notice USING (
    department IN (SELECT departments_in_view()) OR surgeon = ANY ((SELECT people_in_view())::text[]));

-- sees() stays: the policies of read models of earlier versions ask it until these
-- are made anew, and a reader must not find them empty meanwhile.

-- +goose Down
ALTER POLICY event_log_read ON event_log USING (
    CASE current_setting('app.role', true)
        WHEN 'quality' THEN is_own_department(department) OR sees_subject(subject)
        WHEN 'figures' THEN is_own_department(department) OR sees_subject(subject)
        WHEN 'integrator' THEN source = current_setting('app.source', true) AND is_own_department(department)
        WHEN 'trainer' THEN sees_subject(subject)
        WHEN 'trainee' THEN sees_subject(subject)
        ELSE false
    END);
ALTER POLICY alarm_notice_read ON alarm_notice USING (sees(department, ARRAY[surgeon]));
DROP FUNCTION people_in_view() CASCADE;
DROP FUNCTION departments_in_view() CASCADE;
