-- in_use: of several readings of a time, each measure takes the first reading of the examiner who has it and read most
-- times of the case.
examiners as (
    select
        case_no,
        examiner,
        row_number() over (partition by case_no order by n_times desc, examiner) as examiner_rank
    from (
        select
            case_no,
            examiner,
            count(distinct timepoint) as n_times
        from readings
        where replaced_by is null
        group by case_no, examiner
    ) as seen
),

ranked as (
    select
        readings.*,
        readings.repeat_no * 100000 + examiners.examiner_rank as reading_rank
    from readings
    inner join examiners on examiners.case_no = readings.case_no and examiners.examiner = readings.examiner
    where readings.replaced_by is null
),

in_use as (
    select
        case_no,
        timepoint,
        count(*) as n_readings,
        arg_min(examiner, reading_rank) as examiner$measures
    from ranked
    group by case_no, timepoint
),
