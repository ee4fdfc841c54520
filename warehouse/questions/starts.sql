-- One row is one quarter of start: its cases counted, and the share of all its cases still in treatment.
select
    mart_cases.start_quarter,
    sum(case when mart_outcomes.step = 'counted' then 1 else 0 end) as n_counted,
    avg(case when mart_outcomes.step = 'in_treatment' then 1.0e0 else 0.0e0 end) as going
from mart_cases
inner join mart_outcomes on mart_outcomes.case_no = mart_cases.case_no
where mart_outcomes.definition_id = ? and mart_cases.start_quarter is not null and $condition
group by 1
