-- the last load of this very request: its number, rows loaded, rows turned away
select load_id, n_loaded, n_turned_away
from loads
where request_sha256 = ?
order by load_id desc
limit 1
