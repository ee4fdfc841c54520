-- a case that was registered has no row in force
-- Columns: the case number.
select case_registry.case_no as case_no
from case_registry
left join (select case_no from cases where replaced_by is null) as present on present.case_no = case_registry.case_no
where present.case_no is null
order by 1
