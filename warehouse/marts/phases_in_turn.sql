-- phase_order: the phases of each case side by side, from the first on.
phase_order as (
    select
        case_no,
        $phase_columns
    from phases
    where replaced_by is null
    group by case_no
)
