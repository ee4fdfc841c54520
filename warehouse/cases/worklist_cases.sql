-- One row is one treated case with its outcome under one definition.
select
    cast(mart_cases.practice as varchar) as practice,
    mart_cases.case_key,
    mart_cases.start_quarter,
    cast(mart_outcomes.step as varchar) as step,
    mart_outcomes.step = 'counted' and mart_outcomes.status = 'adverse' as is_adverse
from $outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
where mart_cases.comparison = 'treated'
