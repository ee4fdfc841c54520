-- One row is one case of a selection whose quarter of start is recorded, in order of finish: quarter of start plus months
-- observed, then in the order they were loaded. adverse is null where the case is not counted.
select
    mart_cases.start_quarter as quarter,
    mart_outcomes.is_adverse as adverse,
    mart_outcomes.step is distinct from 'in_treatment' as is_due
from $outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
inner join (
    select
        start_quarter,
        3e0 * (4 * cast(substring(start_quarter, 1, 4) as integer) + cast(substring(start_quarter, 7, 1) as integer) - 1)
            as months
    from (select distinct start_quarter from mart_cases where start_quarter is not null)
) as quarters on quarters.start_quarter = mart_cases.start_quarter
where $condition
order by quarters.months + coalesce(mart_cases.months_observed, 0e0), mart_cases.case_no
