-- the numbers of the cases that the registry knows already
select case_registry.case_key as case_id, case_registry.case_no
from case_registry
inner join wanted on wanted.case_id = case_registry.case_key
