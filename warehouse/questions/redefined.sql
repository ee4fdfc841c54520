-- one row: cases counted under both of two definitions, and those that are adverse under one of them alone
select
    count(*) as n_both,
    coalesce(sum(case when first_one.status = 'adverse' and second_one.status <> 'adverse' then 1 else 0 end), 0)
        as n_turned,
    coalesce(sum(case when first_one.status <> 'adverse' and second_one.status = 'adverse' then 1 else 0 end), 0)
        as n_back
from $first as first_one
inner join $second as second_one on second_one.case_no = first_one.case_no
inner join mart_cases on mart_cases.case_no = first_one.case_no
where first_one.step = 'counted' and second_one.step = 'counted' and $condition
