-- One row is a class of the cases counted ($by), or all of them ($whole): those drawn with their means, then the cases
-- counted and the middle expected change of those drawn. Key: the first column; the largest class stands first.
select
    coalesce($by, '$whole') as class,
    sum(case when is_drawn then 1 else 0 end) as n_drawn,
    avg(case when is_drawn then before end) as start,
    avg(case when is_drawn then after end) as finish,
    avg(case when is_drawn then before + expected end) as expected,
    count(*) as n,
    median(case when is_drawn then expected end) as middle
from ($source) as counted
group by grouping sets ((), ($by))
order by n_drawn desc, class
