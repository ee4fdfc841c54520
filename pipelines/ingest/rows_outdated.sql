-- the current rows of the same key as a new one
create or replace temp table outdated as
select $table.rowid as row_id
from $table
where replaced_by is null and exists (select 1 from numbered where $same_key)
