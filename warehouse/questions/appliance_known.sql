-- One row: the cases counted of which it is known which appliances were used, and how many of them went adverse.
select
    count(*) as n,
    sum(case when mart_outcomes.status = 'adverse' then 1 else 0 end) as n_adverse
from $outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
where mart_outcomes.step = 'counted' and mart_cases.appliance_ever is not null and $condition
