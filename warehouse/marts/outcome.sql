-- mart_outcomes: one row is one case under one outcome definition.
-- key: case_no, definition_id. step says how far the case came in the sampling frame ('counted' or why not);
-- value is the quantity compared with the threshold, null where the definition has more than one part.
with

parts as (
    select
        mart_cases.case_no,
        $stage as stage_step,
        $missing as missing_step,
        $interval as interval_step,
        $expected as expected_step,
        $met as is_met,
        $value as value,
    from mart_cases
    $joins
),

settled as (
    select
        case_no,
        is_met,
        value,
        $step as step,
    from parts
)

select
    case_no,
    $definition_id as definition_id,
    $definition_version as definition_version,
    $family as family,
    case
        when step <> 'counted' then 'not assessable'
        when is_met then 'adverse'
        else 'not adverse'
    end as status,
    step,
    case when step = 'counted' then value end as value,
from settled
