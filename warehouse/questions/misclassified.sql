-- One row is one counted case, with the change its definition settled on. Key: case_no.
select
    mart_cases.case_no,
    mart_cases.case_key,
    cast(mart_cases.practice as varchar) as practice,
    mart_outcomes.status = 'adverse' as is_adverse,
    $columns
from mart_outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
left join mart_spans on mart_spans.case_no = mart_outcomes.case_no and mart_spans.span = ?
where mart_outcomes.definition_id = ? and mart_outcomes.value is not null
order by mart_cases.case_no
