-- One row is one group and one level of another grouping, among the cases counted. Key: grouped, level.
select
    $first as grouped,
    $second as level,
    count(*) as n,
    sum(case when mart_outcomes.status = 'adverse' then 1 else 0 end) as n_adverse
from mart_outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
where mart_outcomes.definition_id = ? and mart_outcomes.step = 'counted' and $condition
group by 1, 2
