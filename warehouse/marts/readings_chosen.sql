-- in_use: of several readings of a time, each measure takes the first reading of the first examiner who has it.
examiners as (
    select
        examiner,
        row_number() over (order by examiner) as examiner_rank
    from (select distinct examiner from readings where replaced_by is null) as seen
),

ranked as (
    select
        readings.*,
        readings.repeat_no * 100000 + examiners.examiner_rank as reading_rank
    from readings
    inner join examiners on examiners.examiner = readings.examiner
    where readings.replaced_by is null
),

in_use as (
    select
        case_no,
        timepoint,
        count(*) as n_readings$measures
    from ranked
    group by case_no, timepoint
),
