-- and the other current rows of the case from files of one row a case, which state the whole case
insert into outdated
select $table.rowid
from $table
inner join loads on loads.load_id = $table.load_id and loads.layout = 'wide'
where $table.replaced_by is null
    and $table.case_no in (select case_no from numbered)
    and $table.rowid not in (select row_id from outdated)
