-- Takes the rows of the load $load_id out of $table; a row it replaced stands again, or was replaced by the next load
-- that would have done so: one with a row of the same key or, of one row a case, one with the case.
delete from $table where load_id = $load_id;

update $table
set replaced_by = (
    select min(later.load_id)
    from (
        select same.load_id from $table as same where $same_key and same.load_id > $load_id
        union all
        select cases.load_id
        from cases
        inner join loads on loads.load_id = cases.load_id and loads.layout = 'wide'
        where cases.case_no = $table.case_no and cases.load_id > $load_id
            and (select layout from loads as own where own.load_id = $table.load_id) = 'wide'
    ) as later
)
where replaced_by = $load_id
