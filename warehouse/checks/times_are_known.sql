-- a visit, reading or point lies at a time that is not start, progress, finish or follow-up
-- Columns: the table, how many rows.
with

listed as (
    select 'visits' as table_name, timepoint from visits
    union all
    select 'readings', timepoint from readings
    union all
    select 'landmarks', timepoint from landmarks
)

select table_name, count(*) as n
from listed
where timepoint not in ('start', 'progress', 'finish', 'follow_up')
group by table_name
order by table_name
