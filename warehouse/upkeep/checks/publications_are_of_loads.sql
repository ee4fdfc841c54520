-- a publication names a load or an entry of the catalogues that is not there
-- Columns: the build, its last load, its last entry.
select build_id, last_load, last_registration
from publications
where last_load > (select coalesce(max(load_id), 0) from loads)
    or last_registration > (select coalesce(max(entry), 0) from registrations)
order by build
