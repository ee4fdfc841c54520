-- One row is one row of a file that was turned away or remarked on, and for which nothing later speaks.
select
    mart_loads.practice,
    min($table.case_key) as case_key,
    mart_loads.source_name as file,
    $table.row_no as row,
    string_agg(distinct $table.rule, ' ' order by $table.rule) as why
from $table
inner join mart_loads on mart_loads.load_id = $table.load_id
where $table.is_open
group by mart_loads.load_id, mart_loads.practice, mart_loads.source_name, $table.row_no
