select distinct case_registry.case_key
from case_registry
inner join cases on cases.case_no = case_registry.case_no
where cases.replaced_by is null and case_registry.practice = ?
