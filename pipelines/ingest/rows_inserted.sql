insert into $table (case_no, load_id, $columns)
select case_no, $load_id, $columns
from $source
