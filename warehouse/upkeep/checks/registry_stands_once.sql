-- a case has two numbers, or a number has two cases
-- Columns: what stands more than once, how often.
select 'case number' as what, count(*) as n
from (select case_no from case_registry group by case_no having count(*) > 1)
having n > 0
union all
select 'case key', count(*) as n
from (select case_key from case_registry group by case_key having count(*) > 1)
having n > 0
