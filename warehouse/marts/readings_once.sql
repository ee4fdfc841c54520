-- in_use: every time was read once, so that reading is the one in use.
in_use as (
    select
        case_no,
        timepoint,
        1 as n_readings,
        examiner$measures
    from readings
    where replaced_by is null
),
