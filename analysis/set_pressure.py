"""Set pressure: the outlet's mean while a small bleed flows, adjuster locked."""

from __future__ import annotations

import math

from records.errors import Reason
from records.judgement import BudgetLine, Shape
from records.rig import Channel

from .clean import Stretch
from .estimate import Estimate, estimated, not_measured
from .marks import Performance
from .readings import Readings, calibration_lines, resolution, resolution_line
from .steady import Level, Steadiness, robust_level, steadiness
from .zero import evidence_of

# drift over the reading that is still steady, relative to the level
STEADY_SHARE = 0.005
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
    step = resolution(outlet)
    level = robust_level(window.t_s, window.value, step)
    limit = STEADY_SHARE * abs(level.mean)
    steady = steadiness(window.t_s, window.value, limit, step)
    if steady.peak_to_peak > _HUNTING_SHARE * abs(level.mean):
        trouble.append(
            Reason.of("hunting_in_window", swing_pa=f"{steady.peak_to_peak:.1f}")
        )
    if level.too_slow:
        trouble.append(too_slow(outlet, window, level))
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
            u=left_drift(steady),
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


def left_drift(steady: Steadiness) -> float:
    """Return the standard uncertainty that a drift leaves of what a mean stands for.

    Even over the reading; the noise of the mean is another line, so what noise adds to
    the square of a drift is taken off.
    """
    square = steady.drift**2 - steady.u_drift**2
    return math.sqrt(max(0.0, square) / 12.0)


def too_slow(channel: Channel, window: Stretch, level: Level) -> Reason:
    """Return that the noise is too slow for a window to tell its uncertainty."""
    return Reason.of(
        "noise_too_slow",
        channel=channel.id,
        window_s=f"{window.width_s:.0f}",
        correlation_s=f"{level.correlation_s:.1f}",
    )
