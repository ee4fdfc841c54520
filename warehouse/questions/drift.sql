-- One row is one case of a selection whose quarter of start is recorded. Key: case_no.
select
    mart_cases.start_quarter,
    cast(mart_outcomes.status as varchar) as status,
    cast(mart_outcomes.step as varchar) as step,
    coalesce(mart_cases.months_observed, 0e0) as months,
    mart_cases.case_no
from mart_outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
where mart_outcomes.definition_id = ? and mart_cases.start_quarter is not null and $condition
