-- Takes the cases of the table `gone` (case_no, case_key) out of every table, history and turned-away rows included.
create or replace temp table rows_gone as
select distinct load_id, row_no from turned_away where case_key in (select case_key from gone)
union
select distinct load_id, row_no from remarks where case_key in (select case_key from gone);

delete from turned_away
where case_key in (select case_key from gone)
    or (case_key is null and (load_id, row_no) in (select (load_id, row_no) from rows_gone));

delete from remarks
where case_key in (select case_key from gone)
    or (case_key is null and (load_id, row_no) in (select (load_id, row_no) from rows_gone));

delete from cases where case_no in (select case_no from gone);

delete from phases where case_no in (select case_no from gone);

delete from visits where case_no in (select case_no from gone);

delete from readings where case_no in (select case_no from gone);

delete from landmarks where case_no in (select case_no from gone);

delete from case_registry where case_key in (select case_key from gone);

drop table rows_gone
