-- mart_repeats: one row is one reading of records that were read more than once, for the picture of measuring quality
select
    case_registry.practice,
    readings.case_no,
    readings.timepoint,
    readings.examiner,
    readings.repeat_no$measures
from readings
inner join case_registry on case_registry.case_no = readings.case_no
inner join (
    select case_no, timepoint
    from readings
    where replaced_by is null
    group by case_no, timepoint
    having count(*) > 1
) as twice on twice.case_no = readings.case_no and twice.timepoint = readings.timepoint
where readings.replaced_by is null$none
