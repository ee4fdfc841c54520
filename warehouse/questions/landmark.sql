-- mart_cases with its groups as known $months months after the start, by the phases begun until then. Key: case_no.
-- is_undated: it is not recorded when a later phase began; its groups are those it came to have. So they are where a phase
-- was turned away, of which no group is known.
select
    mart_cases.* replace (
        case when as_became then cast(mart_cases.appliance_sequence as varchar) else known.appliance_sequence end
            as appliance_sequence,
        case when as_became then cast(mart_cases.appliance_ever as varchar) else $appliance_ever end as appliance_ever,
        case when as_became then cast(mart_cases.appliance_group as varchar) else $appliance_group end as appliance_group
    ),
    coalesce(known.is_undated, false) as is_undated
from mart_cases
left join (
    select
        begun.*,
        ' > ' || begun.appliance_sequence || ' > ' as listed,
        begun.is_undated or cases.appliance_sequence is null as as_became
    from (
        select
            case_no,
            bool_or(began is null) as is_undated,
            string_agg(cast(appliance_category as varchar), ' > ' order by phase_no) filter (where began <= $months)
                as appliance_sequence
        from (
            select
                case_no,
                phase_no,
                appliance_category,
                case when phase_no = 1 then coalesce(months_from_start, 0e0) else months_from_start end as began
            from mart_phases
        )
        group by case_no
    ) as begun
    inner join mart_cases as cases on cases.case_no = begun.case_no
) as known on known.case_no = mart_cases.case_no
