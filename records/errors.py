"""Trouble: every error, warning and reason, one tree, each with an id.

    ProofstandError            an id, a place and facts; the words live elsewhere
    |-- InputError        2    a file, an option or a value that cannot be used
    |-- RigError          4    the rig or an instrument failed
    |-- IntegrityError    5    a record of ours is damaged or changed
    |-- RefusedError      6    a rule forbids it (calibration, role, plan)
    `-- OurFault         70    we are at fault

An id is stable for ever: screen, documents, JSON and certificate use the same one.
The sentences for each id are in ``proofstand/words``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

EXIT_DONE = 0
EXIT_INPUT = 2
EXIT_RIG = 4
EXIT_INTEGRITY = 5
EXIT_REFUSED = 6
EXIT_FAIL = 10
EXIT_INCONCLUSIVE = 11
EXIT_INCOMPLETE = 12
EXIT_OUR_FAULT = 70
EXIT_INTERRUPTED = 130


@dataclass(frozen=True, slots=True)
class Trouble:
    """What went wrong, in words that a technician can act on."""

    id: str
    what: str
    where: str
    do: str
    exit_code: int


INPUT_IDS = frozenset(
    {
        "file_missing",
        "file_unreadable",
        "file_empty",
        "document_not_signed",
        "file_not_ours",
        "file_exists",
        "file_unwritable",
        "page_kept_only",
        "format_wrong",
        "format_newer",
        "toml_syntax",
        "key_unknown",
        "key_missing",
        "value_wrong_type",
        "value_wrong",
        "quantity_unreadable",
        "quantity_two_readings",
        "quantity_unit_missing",
        "quantity_unit_unknown",
        "quantity_kind_wrong",
        "quantity_reference_missing",
        "quantity_reference_wrong",
        "quantity_reference_other",
        "rig_name_twice",
        "rig_instrument_unknown",
        "rig_station_unknown",
        "rig_channel_missing",
        "rig_flow_missing",
        "rig_volume_missing",
        "rig_register_type",
        "rig_clock_missing",
        "rig_span_wrong",
        "rig_not_loopback",
        "plan_step_twice",
        "plan_finding_unknown",
        "plan_finding_elsewhere",
        "plan_limit_empty",
        "plan_limits_cross",
        "plan_limits_contradict",
        "plan_vent_plugged",
        "plan_window_unworkable",
        "plan_as_found_adjusts",
        "plan_as_found_decides",
        "plan_relief_unfollowed",
        "plan_accept_unknown",
        "plan_reference_unknown",
        "plan_unknown",
        "plan_source_missing",
        "plan_order",
        "plan_lacks_step",
        "plan_gate_wide",
        "plan_target_missing",
        "job_target_missing",
        "job_not_gauge",
        "fault_unknown",
        "fault_not_fitted",
        "drill_nothing_to_draw",
        "drill_severity_none",
        "drill_without_truth",
        "drill_run_tells",
        "drill_run_in_parts",
        "drill_run_missing",
        "drill_of_stored_run",
        "drill_of_another_run",
        "fault_severity",
        "family_unknown",
        "family_without_plan",
        "log_map_needed",
        "mistake_unknown",
        "mistake_nowhere",
        "log_column_missing",
        "log_line_unreadable",
        "log_time_backwards",
        "log_time_unreadable",
        "log_too_short",
        "finding_unknown",
        "regulator_wanted",
        "usage",
        "run_state_wrong",
        "journal_without_data",
        "journal_unwritable",
        "rig_station_wanted",
        "rig_channel_unknown",
        "rig_channel_kind",
        "rig_changed",
        "calibration_of_another",
        "calibration_of_other_readings",
        "calibration_points_wrong",
        "calibration_point_outside",
        "no_display",
        "window_missing",
        "key_certificate_wrong",
        "key_password_wrong",
        "key_unfit",
        "pin_weak",
        "pins_differ",
        "folder_busy",
        "plan_not_a_version",
        "page_unprintable",
        "rig_port_shared",
        "rig_field_missing",
        "rig_replay_real",
        "rig_without_hand_valves",
        "driver_unknown",
        "replay_nothing",
        "archive_missing",
        "archive_unwritable",
        "archive_busy",
        "archive_folder_taken",
        "archive_has_another",
        "record_unknown",
        "judgement_plan_not_kept",
        "boundary_no_hold",
        "boundary_outside",
        "boundary_short",
        "boundary_unmoved",
        "not_kept_yet",
        "run_id_unusable",
        "certificate_run_not_kept",
        "index_of_another",
        "index_busy",
        "index_failed",
        "index_unreachable",
        "index_driver_missing",
        "cluster_library_missing",
        "cluster_unreachable",
        "index_url_wrong",
        "index_newer",
        "index_damaged",
    }
)
RIG_IDS = frozenset(
    {
        "instrument_no_connection",
        "instrument_silent",
        "instrument_refused",
        "instrument_wrong_answer",
        "instrument_lost",
        "instrument_frozen",
        "serial_port_missing",
        "serial_port_ambiguous",
        "serial_port_in_use",
        "serial_port_other",
        "serial_port_failed",
        "driver_failed",
        "replay_ended",
        "port_in_use",
        "simulated_rig_stopped",
        "recorder_ended",
        "recorder_died",
    }
)
INTEGRITY_IDS = frozenset(
    {
        "run_changed",
        "run_cut_short",
        "run_block_changed",
        "signature_wrong",
        "journal_damaged",
        "calibration_changed",
        "approval_changed",
        "drill_changed",
        "shift_record_changed",
        "certificate_changed",
        "certificate_cut_short",
        "certificate_of_another_run",
        "certificate_of_none_given",
        "notice_changed",
        "signature_missing",
        "chain_changed",
        "chain_out_of_order",
        "chain_missing",
        "chain_cut_short",
        "chain_beyond_head",
        "chain_not_of_head",
        "chain_lacks_noted",
        "head_missing",
        "head_changed",
        "head_signature_wrong",
        "head_not_signed",
        "head_of_another",
        "archive_unfinished",
        "archive_file_missing",
        "archive_file_changed",
        "archive_file_unlisted",
        "entry_differs",
        "certificate_of_another_judgement",
        "judgement_of_another_run",
        "remark_of_another_run",
        "certificate_number_twice",
        "papers_without_run",
        "certificate_not_kept",
        "index_ahead",
        "copy_damaged",
        "copy_differs",
        "copy_misread",
        "bundle_changed",
        "signature_after_end",
        "people_changed",
        "note_changed",
        "note_of_another_run",
        "note_signature_wrong",
    }
)
# What a job card's rules say: each stops a test or only warns, see docs/job-card.md.
CARD_IDS = frozenset(
    {
        "no_purge_statement",
        "pressure_above_rating",
        "outlet_above_rating",
        "interstage_above_rating",
        "rig_rating_exceeded",
        "label_differs",
        "label_wanted",
        "shop_number_missing",
        "serial_missing",
        "test_gas_not_inert",
        "test_gas_burns",
        "test_gas_feeds_fire",
        "test_gas_differs",
        "test_gas_unknown",
        "gas_toxic",
        "gas_unknown",
        "gas_not_told",
        "gas_not_of_family",
        "card_family_unknown",
        "plan_of_another_family",
        "as_found_too_late",
        "as_found_without_pressure",
        "body_seat_damaged",
        "damaged_part_kept",
        "shipping_plug_left",
        "inspection_found",
        "part_must_be_replaced",
        "part_not_told",
        "reused_not_inspected",
        "lot_missing",
        "kit_out_of_date",
        "rubber_too_old",
        "regulator_too_old",
        "age_unknown",
        "rebuilt_too_often",
        "seal_not_suited",
        "lubricant_not_suited",
        "wrench_unknown",
        "wrench_overdue",
        "torque_unlikely",
        "made_ahead",
        "date_ahead",
        "oxygen_not_cleaned",
        "oxygen_on_wrong_rig",
        "rig_not_clean",
        "channel_not_calibrated",
        "calibration_overdue",
        "person_not_named",
        "person_not_authorised",
        "people_not_listed",
        "job_ended",
        "job_on_hold",
        "disposition_incomplete",
        "section_missing",
    }
)
REFUSED_IDS = CARD_IDS | frozenset(
    {
        "hands_on_real_rig",
        "shift_check_missing",
        "shift_check_failed",
        "shift_check_over",
        "shift_check_dated_later",
        "shift_rig_changed",
        "shift_rig_declared_changed",
        "shift_pressure_not_covered",
        "shift_rig_leaks",
        "shift_record_ended",
        "rig_without_check_standard",
        "check_standard_overdue",
        "cautions_not_read",
        "simulated_rig_anew",
        "plan_step_not_led",
        "plan_hold_short",
        "plan_hold_noisy",
        "plan_hold_high",
        "plan_hold_blind",
        "plan_hold_few",
        "plan_limit_narrow",
        "plan_limits_unaccepted",
        "plan_approved_already",
        "plan_version_taken",
        "run_being_recorded",
        "recorder_watched",
        "rig_in_use",
        "set_pressure_of_another_plan",
        "reference_undeclared",
        "reference_overdue",
        "reference_range",
        "key_for_real_rigs",
        "key_for_demonstration",
        "key_there_already",
        "key_ended",
        "person_wanted",
        "person_unknown",
        "person_retired",
        "person_there_already",
        "person_looks_alike",
        "role_wanted",
        "pin_wanted",
        "pin_wrong",
        "pin_locked",
        "pin_locked_for_good",
        "pin_reset_own",
        "roll_begun",
        "roll_not_begun",
        "lead_first",
        "last_lead",
        "approval_not_on_record",
        "concession_impossible",
        "concession_of_another",
        "concession_ended",
        "concession_agreed_alone",
        "finding_not_failed",
        "run_rejected",
        "page_under_review",
        "page_replaced",
        "page_already_issued",
        "second_person_wanted",
        "second_person_same",
        "second_person_approved",
        "nothing_to_confirm",
        "recall_not_taken",
        "recall_within",
        "recall_no_good_record",
        "recall_unknown",
        "recall_kind_wrong",
        "countersign_not_asked",
        "countersign_same_person",
        "countersigned_already",
        "run_not_sealed",
        "run_not_signed",
        "simulated_needs_demo_key",
        "run_not_whole",
        "calibration_was_expired",
        "scan_wanted",
        "wording_claims",
        "as_found_of_another",
        "as_found_not_before",
        "replaces_of_another",
        "copy_of_a_copy",
        "certificate_of_other_run",
        "tag_not_serviceable",
        "label_too_small",
    }
)
FAULT_IDS = frozenset({"our_fault", "judging_died"})

WARNING_IDS = frozenset(
    {
        "simulated_rig",
        "run_unsigned",
        "run_interrupted",
        "plan_is_draft",
        "calibration_expired",
        "no_calibration",
        "zero_not_established",
        "attempts_repeated",
        "boundary_moved",
        "plan_not_followed",
        "no_plan",
        "several_parts",
        "tested_with",
        "interstage_not_read",
        "supply_effect_wrong_sign",
        "service_gas_condenses",
    }
)

# What is said beside a test that goes on; alarms have ids of their own.
LIVE_IDS = frozenset(
    {
        "disk_nearly_full",
        "clock_moved",
        "instrument_clock",
        "readings_missed",
        "calibration_expired",
    }
)

REASON_IDS = frozenset(
    {
        # why a finding is as it is
        "inside_limit",
        "outside_limit",
        "across_limit",
        "value_inside",
        "value_outside",
        "risk_kept",
        "risk_kept_outside",
        "risk_too_high",
        "no_limit",
        "conditional_inside",
        "conditional_outside",
        "step_not_done",
        "step_skipped",
        "step_disturbed",
        "channel_missing",
        "too_few_samples",
        "gap_in_window",
        "samples_bad",
        "samples_saturated",
        "samples_stuck",
        "reading_stood_still",
        "inlet_not_reached",
        "inlet_never_stood",
        "outlet_swings",
        "outlet_swung",
        "outlet_never_stood",
        "outlet_followed",
        "samples_clipped",
        "samples_left_out",
        "time_not_rising",
        "resolution_too_coarse",
        "vented_in_hold",
        "moved_in_hold",
        "steps_coarser",
        "gas_gained_in_hold",
        "no_hold_found",
        "inlet_not_steady",
        "inlet_off_plan",
        "not_steady",
        "no_shut_off_seen",
        "closing_time_outside",
        "isolation_not_shown",
        "outlet_not_shown_tight",
        "outlet_leak_could_hide_it",
        "interstage_not_counted",
        "tail_inseparable",
        "tail_rising_or_creep",
        "hold_too_short",
        "hold_ended_early",
        "reopened_in_hold",
        "rig_leak_above_gate",
        "rig_leak_unknown",
        "rig_leak_from_shift",
        "no_volume",
        "no_barometer",
        "limit_reference_missing",
        "no_calibration",
        "calibration_later",
        "outside_calibration",
        "zero_moved",
        "over_pressure",
        "hunting_in_window",
        "rig_disturbed",
        "noise_wanders",
        "noise_too_slow",
        "not_settled",
        "settling_hidden",
        "no_swing_shown",
        "may_be_mains",
        "faster_would_fold",
        "periodic_residual",
        # sweeps and flow
        "supply_effect_sign_unclear",
        "one_inlet_only",
        "never_repeated",
        "repeats_few",
        "points_too_few",
        "one_branch_only",
        "flow_unknown",
        "flow_not_reached",
        "inlet_not_as_defined",
        "closure_not_seen",
        # relief
        "relief_not_opened",
        "relief_not_reseated",
        "relief_not_opened_here",
        "vent_told_by_channel",
        "vent_told_by_person",
        "vent_shows_nothing",
        "vent_not_open",
        # what was done after a finding
        "adjusted_since",
        "opened_since",
        "found_again",
        "worst_repeat_stands",
        # what a person answered
        "told_by_person",
        "gauge_under_pressure",
        "class_by_list",
        "class_uncertain",
        "class_beyond_list",
        "class_list_missing",
        # a leak told as one of the service gas
        "in_service_gas",
        "in_service_gas_between",
        "service_gas_unknown",
        "gas_law_unknown",
        "volume_found",
        "smallest_leak",
        "additions_unseen",
        # holds ended early, and what hold would have decided
        "enough_to_fail",
        "enough_to_pass",
        "on_course",
        "hold_would_decide",
        "no_hold_would_decide",
        # what else would have decided
        "method_would_decide",
        "transducer_would_decide",
        "reading_would_decide",
        "repeats_would_decide",
        "limit_would_decide",
        "measuring_would_decide",
        "too_near_to_decide",
    }
)


class ProofstandError(Exception):
    """Something a person must know of: an id, where it is, and the facts to say.

    Args:
        id: stable id, one of the sets above.
        where: file, line, channel or port, as a person would look for it.
        facts: the values that the sentence for this id names.
    """

    exit_code = EXIT_OUR_FAULT
    ids: frozenset[str] = FAULT_IDS

    def __init__(self, id: str, *, where: str = "", **facts: object) -> None:
        if id not in self.ids:
            raise ValueError(f"{type(self).__name__} has no id {id!r}")
        self.id = id
        self.where = where
        self.facts: Mapping[str, str] = MappingProxyType(
            {name: str(value) for name, value in facts.items()}
        )
        told = ", ".join(f"{name}={value}" for name, value in self.facts.items())
        super().__init__(f"{where}: {id} ({told})" if where else f"{id} ({told})")

    def __reduce__(self) -> tuple[Any, ...]:
        """Let it travel between processes whole."""
        return _again, (type(self), self.id, self.where, dict(self.facts))

    def at(self, where: str) -> ProofstandError:
        """Return the same trouble with a more exact place."""
        return type(self)(self.id, where=where, **self.facts)


def _again(
    kind: type[ProofstandError], id: str, where: str, facts: Mapping[str, str]
) -> ProofstandError:
    return kind(id, where=where, **facts)


class InputError(ProofstandError):
    """A file, an option or a value that cannot be used."""

    exit_code = EXIT_INPUT
    ids = INPUT_IDS


class RigError(ProofstandError):
    """The rig or one of its instruments failed."""

    exit_code = EXIT_RIG
    ids = RIG_IDS


class IntegrityError(ProofstandError):
    """A record of ours is damaged, cut short or was changed."""

    exit_code = EXIT_INTEGRITY
    ids = INTEGRITY_IDS


class RefusedError(ProofstandError):
    """A rule forbids what was asked."""

    exit_code = EXIT_REFUSED
    ids = REFUSED_IDS


class OurFault(ProofstandError):
    """A fault of the program itself."""


ERROR_CLASSES: tuple[type[ProofstandError], ...] = (
    InputError,
    RigError,
    IntegrityError,
    RefusedError,
    OurFault,
)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a finding or a judgement is as it is: an id and the facts to say."""

    id: str
    facts: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, id: str, **facts: object) -> Reason:
        """Build a reason, its facts turned to text."""
        if id not in REASON_IDS and id not in WARNING_IDS:
            raise ValueError(f"no reason has the id {id!r}")
        return cls(id, tuple((name, str(value)) for name, value in facts.items()))
