-- One row is one case of a selection in which a measure was read at both times of a span. Key: case_no.
-- before, after, change and expected (untreated growth over the same time) are in the unit of the measure.
select
    mart_cases.case_no,
    mart_spans.${code}__before as before,
    mart_spans.${code}__after as after,
    mart_spans.${code}__after - mart_spans.${code}__before as change,
    cast($expected as double) as expected,
    mart_spans.months$columns
from mart_spans
inner join mart_cases on mart_cases.case_no = mart_spans.case_no
where
    mart_spans.span = ?
    and mart_spans.${code}__before is not null
    and mart_spans.${code}__after is not null
    and $condition
order by mart_cases.case_no
