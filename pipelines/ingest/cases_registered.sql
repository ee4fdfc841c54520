insert into case_registry
select case_no, ? as practice, case_id as case_key
from fresh_cases
