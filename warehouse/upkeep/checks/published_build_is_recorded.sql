-- the published snapshot is not one that this store made
-- Columns: the build.
select build_id
from mart.main.mart_build
where build_id not in (select build_id from publications)
