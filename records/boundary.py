"""A boundary of what is read, moved by hand by who reviews a run."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """From when to when a step is read, in the place of what was seen in the test.

    Attributes:
        step: of the plan.
        begin_s, end_s: seconds from the start of the step's part of the run.
        was_begin_s, was_end_s: where they stand in the record.
        by, why, utc_ns: who moved it, why and when.
    """

    step: str
    begin_s: float
    end_s: float
    was_begin_s: float
    was_end_s: float
    by: str
    why: str
    utc_ns: int
