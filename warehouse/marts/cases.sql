-- mart_cases: one row is one case as it now stands in the store, treated or observed.
-- key: case_no (and case_key, the keyed hash). Ages in years, intervals in months.
-- The practice is that of the load, as the case key is made of practice and case number.
-- A case that was turned away by validation is absent here and counted in mart_turned_away_cases.
with

-- few distinct lists of teeth and sequences of appliances occur: each is looked at once
teeth as (
    select distinct
        extracted_teeth,
        ' ' || extracted_teeth || ' ' as listed
    from cases
    where replaced_by is null and extracted_teeth is not null
),

counted_teeth as (
    select
        extracted_teeth,
        $n_counted_teeth as n_counted_teeth,
        $n_first_premolars as n_first_premolars,
        $n_second_premolars as n_second_premolars,
        $n_upper_first_premolars as n_upper_first_premolars,
        $n_lower_second_premolars as n_lower_second_premolars,
        $n_lower_incisors as n_lower_incisors
    from teeth
),

patterns as (
    select
        extracted_teeth,
        n_counted_teeth > 0 as is_extraction_case,
        $extraction as extraction,
        $extraction_pattern as extraction_pattern
    from counted_teeth
),

$phase_order,

phase_sequences as (
    select
        case_no,
        has_skeletal_anchorage,
        has_surgery,
        arch_first,
        $appliance_sequence as appliance_sequence
    from phase_order
),

sequences as (
    select distinct
        appliance_sequence,
        ' > ' || appliance_sequence || ' > ' as listed
    from phase_sequences
),

named_sequences as (
    select
        appliance_sequence,
        $appliance_first as appliance_first,
        $appliance_ever as appliance_ever,
        $appliance_group as appliance_group
    from sequences
),

joined as (
    select
        cases.case_no,
        case_registry.case_key,
        loads.practice,
        cases.load_id,
        cases.sex,
        cases.age_at_start,
        $age_band as age_band,
        cases.cvm_stage,
        $growth_stage as growth_stage,
        cases.incisor_class,
        cases.molar_class,
        cases.extracted_teeth,
        patterns.extraction_pattern,
        patterns.is_extraction_case,
        patterns.extraction,
        cases.start_quarter,
        cast(substring(cases.start_quarter, 1, 4) as integer) as start_year,
        cases.selection,
        cases.status,
        cases.comparison,
        cases.clinician,
        cases.wear_reported,
        cases.dentition_stage,
        cases.earlier_treatment,
        cases.habits,
        cases.retention_regime,
        cases.cleft_or_syndrome,
        phase_sequences.arch_first,
        $skeletal_anchorage as skeletal_anchorage,
        named_sequences.appliance_first,
        named_sequences.appliance_sequence,
        named_sequences.appliance_ever,
        named_sequences.appliance_group,
        phase_sequences.has_skeletal_anchorage = 1 as has_skeletal_anchorage,
        coalesce(phase_sequences.has_surgery = 1, false) as has_surgery,
        at_finish.months_from_start - at_start.months_from_start as months_observed,
        at_follow_up.months_from_start - at_finish.months_from_start as months_follow_up,
        coalesce(at_start.examiner <> at_finish.examiner, false) as has_two_examiners,
        coalesce(at_start.has_records, false) as has_start_records,
        coalesce(at_progress.has_records, false) as has_progress_records,
        coalesce(at_finish.has_records, false) as has_finish_records,
        coalesce(at_follow_up.has_records, false) as has_follow_up_records,
        $plane_at_start as plane_at_start,
        $fma_at_start as fma_at_start,
        $facial_index_at_start as facial_index_at_start,
        $answers
    from cases
    left join loads on loads.load_id = cases.load_id
    left join case_registry on case_registry.case_no = cases.case_no
    left join patterns on patterns.extracted_teeth = cases.extracted_teeth
    left join phase_sequences on phase_sequences.case_no = cases.case_no
    left join named_sequences on named_sequences.appliance_sequence = phase_sequences.appliance_sequence
    left join mart_timeline as at_start on at_start.case_no = cases.case_no and at_start.timepoint = 'start'
    left join mart_timeline as at_progress on at_progress.case_no = cases.case_no and at_progress.timepoint = 'progress'
    left join mart_timeline as at_finish on at_finish.case_no = cases.case_no and at_finish.timepoint = 'finish'
    left join mart_timeline as at_follow_up on at_follow_up.case_no = cases.case_no and at_follow_up.timepoint = 'follow_up'
    where cases.replaced_by is null
)

select
    *,
    $vertical_type as vertical_type_start,
    $face_form as face_form_start
from joined
