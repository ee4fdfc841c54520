-- the reasons kept do not cover the rows a load turned away
-- Columns: the load, rows turned away, rows with a reason.
with

given as (
    select load_id, count(distinct row_no) as n from turned_away group by load_id
)

select coalesce(loads.load_id, given.load_id) as load_id, loads.n_turned_away, coalesce(given.n, 0) as n_reasons
from loads
full join given on given.load_id = loads.load_id
where loads.n_turned_away is distinct from coalesce(given.n, 0)
order by 1
