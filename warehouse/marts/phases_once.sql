-- phase_order: no case has more than its first phase, which stands alone.
phase_order as (
    select
        case_no,
        appliance_category as phase_1,
        case when skeletal_anchorage = 'yes' then 1 else 0 end as has_skeletal_anchorage,
        case when appliance_category = 'surgery' then 1 else 0 end as has_surgery,
        arch as arch_first
    from phases
    where replaced_by is null
)
