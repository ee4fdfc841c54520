-- One row is one case of a selection, with its outcome under one definition. Key: case_no.
-- adverse is null where it cannot be assessed, is_due false while in treatment, value the quantity compared with the
-- threshold.
select
    mart_cases.case_no,
    case mart_outcomes.status when 'adverse' then true when 'not adverse' then false end as adverse,
    mart_outcomes.step not in ($not_due) as is_due,
    mart_outcomes.value$columns
from $outcomes
inner join $cases as mart_cases on mart_cases.case_no = mart_outcomes.case_no
where $condition
order by mart_cases.case_no
