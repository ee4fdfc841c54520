-- a case that was registered has no row in force
-- Columns: the case number.
select case_registry.case_no
from case_registry
anti join (select case_no from cases where replaced_by is null) as present using (case_no)
order by case_registry.case_no
