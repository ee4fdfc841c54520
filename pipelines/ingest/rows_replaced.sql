update $table
set replaced_by = $load_id
where rowid in (select row_id from outdated)
