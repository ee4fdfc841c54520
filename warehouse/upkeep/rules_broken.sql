-- one row a rule that rows of these practices broke: how many rows, still open, the first of them, and the columns it
-- was about
select
    $table.rule,
    count(distinct ($table.load_id, $table.row_no)) as n_rows,
    list_slice(list_sort(list(distinct $table.row_no)), 1, 8) as first_rows,
    list_sort(list(distinct coalesce($table.column_name, ''))) as columns
from $table
inner join mart_loads on mart_loads.load_id = $table.load_id
where $table.is_open and $where
group by 1
order by 2 desc, 1
