-- one row a case whose row the loads after the given one brought or corrected, the first few, as kept
select
    substring(case_key, 1, 10) as case,
    sex,
    age_at_start,
    start_quarter,
    incisor_class,
    extraction_pattern,
    appliance_sequence,
    selection,
    status,
    comparison
from mart_cases
where load_id > ?
order by case_no
limit $most
