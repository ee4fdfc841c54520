-- the rows of a load do not add up: read is not loaded plus turned away
-- Columns: the load, rows read, loaded, turned away.
select load_id, n_read, n_loaded, n_turned_away
from loads
where n_read <> n_loaded + n_turned_away
order by load_id
