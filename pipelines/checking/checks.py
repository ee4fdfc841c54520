"""The named checks a rule may ask for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from pipelines.checking import case_checks, cross_checks, landmark_checks, reading_checks, time_checks
from pipelines.checking.rules import Rule
from pipelines.checking.tables import CheckedTables, Mask

Check = Callable[[CheckedTables, Rule], Mask]

CHECKS: Mapping[str, Check] = MappingProxyType(
    {
        check.__name__: check
        for check in (
            case_checks.cvm_stage_fits_age,
            case_checks.deciduous_extractions_fit_age,
            case_checks.extracted_teeth_existed,
            case_checks.permanent_extractions_fit_age,
            case_checks.started_since,
            case_checks.untreated_keeps_teeth,
            cross_checks.case_is_known,
            cross_checks.case_was_accepted,
            cross_checks.finished_has_finish_records,
            cross_checks.in_treatment_has_no_finish_records,
            cross_checks.key_is_unique,
            cross_checks.one_sex_a_case,
            cross_checks.reading_given_once,
            cross_checks.records_were_taken,
            cross_checks.treated_has_a_phase,
            cross_checks.untreated_has_no_appliance,
            cross_checks.value_agrees_with_points,
            cross_checks.value_given_once,
            cross_checks.value_has_a_visit,
            landmark_checks.face_heights_add_up,
            landmark_checks.face_is_upright,
            landmark_checks.face_looks_ahead,
            landmark_checks.landmark_shows_in_view,
            landmark_checks.one_frame_a_view,
            landmark_checks.points_keep_their_order,
            landmark_checks.points_lie_apart,
            landmark_checks.size_fits_unit,
            reading_checks.measures_agree,
            reading_checks.not_copied_from_earlier_time,
            reading_checks.overjet_fits_class,
            reading_checks.repeat_not_copied,
            reading_checks.sum_agrees,
            time_checks.enlarged_as_at_start,
            time_checks.finish_after_start,
            time_checks.follow_up_after_finish,
            time_checks.observed_time_is_usual,
            time_checks.phase_begins_after_previous,
            time_checks.phase_ends_by_finish,
            time_checks.phase_numbers_run_on,
            time_checks.phases_lie_close,
            time_checks.phases_overlap_little,
            time_checks.progress_between_start_and_finish,
            time_checks.same_kind_as_at_start,
            time_checks.start_is_at_start,
        )
    }
)
"""Name -> check; each gives true for a row that is right, shape (rows of the rule's table,)."""
