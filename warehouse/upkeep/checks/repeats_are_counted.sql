-- a reading has a repeat number below 1
-- Columns: how many readings.
select count(*) as n
from readings
where repeat_no < 1
having n > 0
