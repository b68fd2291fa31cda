"""Set pressure: the outlet's mean while a small bleed flows, adjuster locked."""

from __future__ import annotations

from records.errors import Reason
from records.judgement import BudgetLine
from records.rig import Channel

from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, calibration_lines, resolution_line
from .steady_level import STEADY_SHARE, steady_level
from .zero import evidence_of

_HUNTING_SHARE = 0.02


def set_pressure(readings: Readings, outlet: Channel, done: Performance) -> Estimate:
    """Return the set pressure of a reading.

    The reading has to be shown steady; drift beyond what its noise makes of nothing
    counts as an uncertainty of the definition.
    """
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return not_measured("set_pressure", outlet.role, why)
    window = readings.stretch(outlet, done.part, *done.hold)
    trouble = [window.trouble] if window.trouble else []
    if window.t_s.size < 8:
        return not_measured("set_pressure", outlet.role, trouble[0])
    found = steady_level(outlet, window, STEADY_SHARE)
    level, swing = found.level, found.steady.peak_to_peak
    if swing > _HUNTING_SHARE * abs(level.mean):
        trouble.append(Reason.of("hunting_in_window", swing_pa=f"{swing:.1f}"))
    trouble += found.trouble
    lines = [
        BudgetLine(
            source="noise", u=level.u, value=level.mean, dof=level.dof, type="A"
        ),
        *calibration_lines(outlet, level.mean, difference=False),
        resolution_line(outlet),
        found.definition_line,
    ]
    return estimated(
        "set_pressure",
        outlet.role,
        level.mean,
        lines,
        evidence_of(window, done.part, level),
        trouble=trouble,
    )
