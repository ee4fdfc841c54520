-- One row is one new case of a file that agrees in everything, but its number and perhaps its practice, with a case
-- stored under another number that the file does not hold. Only what both tell, and only what is told once, counts.
with

stored as (
    select distinct
        case_registry.practice,
        case_registry.case_key,
        $stored
    from cases
    inner join case_registry on case_registry.case_no = cases.case_no
    left join readings
        on readings.case_no = cases.case_no
        and readings.replaced_by is null
        and readings.timepoint = 'start'
        and readings.repeat_no = 1
    where cases.replaced_by is null and case_registry.case_key not in (select case_id from delivered)
    qualify min(case_key) over (partition by $columns) = max(case_key) over (partition by $columns)
),

alike as (
    select fresh.case_id, $columns from fresh qualify count(*) over (partition by $columns) = 1
)

select alike.case_id, stored.practice, stored.case_key
from alike
inner join stored on $same
