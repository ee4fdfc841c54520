-- mart_results: one row is one case, with what every outcome definition says of it.
-- key: case_no. <id>_step says how far the case came in the sampling frame (a number of mart_steps; 0 is counted),
-- <id>_adverse is null unless counted, <id>_value is the quantity compared with the threshold, null where the
-- definition has more than one part. <id>_favourable says whether that moved as far the other way; null where <id>_value
-- is or where the part is no change; of an answer or a type it is about those who had it at the first time.
-- <id>_known is whether the case went adverse whatever became of its treatment. mart_outcomes is its long form.
with

single as (
    select
        mart_cases.case_no$single$composite_stages
    from mart_cases
    $joins
),

composite as (
    select
        single.*$composite
    from single
)

select
    case_no$kept
from composite
