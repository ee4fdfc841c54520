-- mart_spans: one row is one case over one span between two sets of records.
-- key: case_no, span. <measure>__before and __after in the catalogue's unit; __expected is the mean change of an
-- untreated child of that sex between the two ages (0 in an adult), null where the growth reference has no curve or the
-- age is outside it; __expected_sd its spread between children, the doubt about the mean included. months in months, ages in
-- years.
-- is_gonion_different, is_porion_different: marked in different ways at the two times. is_size_different: enlargement
-- stated at one time only, so that lengths of the film are true size at one time and not at the other.
-- is_photo_different: the photographs of the two times differ in head pose, lips or whether the teeth met.
-- is_photo_unstated: one of these is not known at one of the two times.
-- Absent where records are missing at either time.
with

joined as (
    select
        mart_cases.case_no,
        mart_cases.sex,
        mart_cases.vertical_type_start,
        $span as span,
        later.months_from_start - earlier.months_from_start as months,
        mart_cases.age_at_start + earlier.months_from_start / 12e0 as age_before,
        mart_cases.age_at_start + later.months_from_start / 12e0 as age_after,
        coalesce(earlier.gonion_kind <> later.gonion_kind, false) as is_gonion_different,
        coalesce(earlier.porion_kind <> later.porion_kind, false) as is_porion_different,
        (earlier.magnification_pct is null) <> (later.magnification_pct is null) as is_size_different,
        coalesce(earlier.head_pose <> later.head_pose, false)
        or coalesce(earlier.photo_lips <> later.photo_lips, false)
        or coalesce(earlier.teeth_together <> later.teeth_together, false) as is_photo_different,
        earlier.head_pose is null or later.head_pose is null or earlier.photo_lips is null or later.photo_lips is null
        or earlier.teeth_together is null or later.teeth_together is null as is_photo_unstated$readings
    from mart_cases
    inner join mart_timeline as earlier
        on earlier.case_no = mart_cases.case_no
        and earlier.timepoint = $earlier
        and earlier.has_records
    inner join mart_timeline as later
        on later.case_no = mart_cases.case_no
        and later.timepoint = $later
        and later.has_records
)

select
    joined.*$expected
from joined
