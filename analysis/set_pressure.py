"""Set pressure: the outlet's mean while a small bleed flows, adjuster locked."""

from __future__ import annotations

import math

from records.errors import Reason
from records.judgement import BudgetLine, Shape
from records.rig import Channel

from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, calibration_lines, resolution, resolution_line
from .steady import robust_level, steadiness
from .zero import evidence_of

# drift over the reading that is still steady, relative to the level
STEADY_SHARE = 0.005
_HUNTING_SHARE = 0.02


def set_pressure(readings: Readings, outlet: Channel, done: Performance) -> Estimate:
    """Return the set pressure of a reading.

    The reading has to be shown steady; what drift is left counts as an uncertainty of
    the definition.
    """
    if done.hold is None:
        why = Reason.of("step_not_done", step=done.step.id)
        return not_measured("set_pressure", outlet.role, why)
    window = readings.stretch(outlet, done.part, *done.hold)
    trouble = [window.trouble] if window.trouble else []
    if window.t_s.size < 8:
        return not_measured("set_pressure", outlet.role, trouble[0])
    step = resolution(outlet)
    level = robust_level(window.t_s, window.value, step)
    limit = STEADY_SHARE * abs(level.mean)
    steady = steadiness(window.t_s, window.value, limit, step)
    if steady.peak_to_peak > _HUNTING_SHARE * abs(level.mean):
        trouble.append(
            Reason.of("hunting_in_window", swing_pa=f"{steady.peak_to_peak:.1f}")
        )
    if not steady.steady:
        trouble.append(
            Reason.of(
                "not_steady",
                channel=outlet.id,
                drift_pa=f"{steady.drift:.1f}",
                limit_pa=f"{limit:.1f}",
            )
        )
    lines = [
        BudgetLine(
            source="noise", u=level.u, value=level.mean, dof=level.dof, type="A"
        ),
        *calibration_lines(outlet, level.mean, difference=False),
        resolution_line(outlet),
        BudgetLine(
            source="definition",
            u=abs(steady.drift) / math.sqrt(12.0),
            shape=Shape.RECTANGULAR,
        ),
    ]
    return estimated(
        "set_pressure",
        outlet.role,
        level.mean,
        lines,
        evidence_of(window, done.part, level),
        trouble=trouble,
    )
