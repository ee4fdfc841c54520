-- mart_timeline: one row is one case at one time (start, progress, finish, follow_up).
-- key: case_no, timepoint. Measures in the catalogue's unit; months_from_start in months.
-- The value in use is the first reading of the examiner who has the measure and read most times of the case (of several
-- the first by pseudonym), so that one examiner reads both times where one did. Repeats exist only for a sample, and
-- averaging them would give those cases a smaller error than the rest. examiner is whose reading it is.
-- Lengths that only a radiograph gives are brought to true size: value / (1 + magnification_pct / 100); where the
-- enlargement is not stated (magnification_pct null) they are as on the film.
-- A total (the weighted PAR score) that was not handed over is added up from its components.
-- A row is absent where neither a visit nor a reading is kept; a measure is null where it was not read.
with

$chosen

seen_visits as (
    select
        case_no,
        timepoint,
        case when timepoint = 'start' then coalesce(months_from_start, 0e0) else months_from_start end
            as months_from_start,
        magnification_pct,
        image_scale_mm_per_px,
        porion_kind,
        gonion_kind,
        head_pose,
        camera_distance_m,
        photo_lips,
        teeth_together,
        $answers,
        coalesce(records_taken, 'yes') = 'yes' as is_visit_with_records
    from visits
    where replaced_by is null
)

select
    coalesce(seen_visits.case_no, in_use.case_no) as case_no,
    coalesce(seen_visits.timepoint, in_use.timepoint) as timepoint,
    case
        when coalesce(seen_visits.timepoint, in_use.timepoint) = 'start'
            then coalesce(seen_visits.months_from_start, 0e0)
        else seen_visits.months_from_start
    end as months_from_start,
    seen_visits.magnification_pct,
    seen_visits.image_scale_mm_per_px,
    seen_visits.porion_kind,
    seen_visits.gonion_kind,
    seen_visits.head_pose,
    seen_visits.camera_distance_m,
    seen_visits.photo_lips,
    seen_visits.teeth_together,
    $shown_answers,
    coalesce(seen_visits.is_visit_with_records, false) or in_use.case_no is not null as has_records,
    coalesce(in_use.n_readings, 0) as n_readings,
    in_use.examiner$measures
from seen_visits
full outer join in_use
    on in_use.case_no = seen_visits.case_no
    and in_use.timepoint = seen_visits.timepoint
