-- one row a year of start: cases asked about, and how many of them have each field
select
    coalesce(cast(mart_cases.start_year as varchar), 'not known') as year,
    count(*) as n,
    $counts
from $source
where $condition and $selected
group by 1
order by 1
