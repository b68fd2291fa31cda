"""The level of a flowing outlet: shown steady, or shown not to have moved far.

Noise that is too slow to be told from a drift spoils a test of steadiness, but it still
moved the pressure no further than the trace shows. Where that is well within what
counts as steady, the level stands, and its whole movement is an uncertainty of the
definition.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from records.errors import Reason
from records.judgement import BudgetLine, Shape
from records.rig import Channel

from .clean import Stretch
from .readings import resolution
from .steady import Level, Steadiness, robust_level, steadiness

# drift over the reading that is still steady, relative to the level
STEADY_SHARE = 0.005
# of that drift: block means that lie closer are within it, noise allowed for
_SURELY = 0.5


@dataclass(frozen=True, slots=True)
class SteadyLevel:
    """The level of a stretch, and what speaks against it.

    Attributes:
        level: mean and its uncertainty, SI.
        steady: test of the drift.
        u_definition: standard uncertainty of what the mean stands for, SI, even.
        trouble: why the level is not to be relied on; empty if it is.
    """

    level: Level
    steady: Steadiness
    u_definition: float
    trouble: tuple[Reason, ...]

    @property
    def definition_line(self) -> BudgetLine:
        """The line of a budget that tells the movement over the reading."""
        return BudgetLine(
            source="definition", u=self.u_definition, shape=Shape.RECTANGULAR
        )


def steady_level(channel: Channel, window: Stretch, share: float) -> SteadyLevel:
    """Return the level of a stretch of at least 8 samples.

    Args:
        channel: that was read.
        window: cleaned samples; its own trouble is not repeated.
        share: drift over the stretch that counts as steady, relative to the level.
    """
    step = resolution(channel)
    level = robust_level(window.t_s, window.value, step)
    limit = share * abs(level.mean)
    steady = steadiness(window.t_s, window.value, limit, step)
    slow = level.too_slow or steady.too_slow
    if slow and steady.peak_to_peak < _SURELY * limit:
        # a drift alone makes noise about a mean look slow; it is known as a drift
        moved = _left_drift(steady)
        if not steady.steady:
            moved = steady.peak_to_peak / math.sqrt(3.0)
        return SteadyLevel(level, steady, moved, ())
    trouble = []
    if slow:
        trouble.append(
            Reason.of(
                "noise_too_slow",
                channel=channel.id,
                window_s=f"{window.width_s:.0f}",
                correlation_s=f"{level.correlation_s:.1f}",
            )
        )
    if not steady.steady:
        trouble.append(
            Reason.of(
                "not_steady",
                channel=channel.id,
                drift_pa=f"{steady.drift:.1f}",
                limit_pa=f"{limit:.1f}",
            )
        )
    return SteadyLevel(level, steady, _left_drift(steady), tuple(trouble))


def _left_drift(steady: Steadiness) -> float:
    """Return the standard uncertainty that a drift leaves of what a mean stands for.

    Even over the reading; the noise of the mean is another line, so what noise adds to
    the square of a drift is taken off.
    """
    square = steady.drift**2 - steady.u_drift**2
    return math.sqrt(max(0.0, square) / 12.0)
