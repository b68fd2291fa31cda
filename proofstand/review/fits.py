"""What a finding was fitted to: the data, the line through them, and what is left over.

Made anew by the same functions that made the finding. Where that gives another stretch
than the finding tells of, as of an attempt that was repeated, nothing is shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.by_step import estimates_by_step
from analysis.found import Found
from analysis.marks import performances
from analysis.readings import Readings
from records.judgement import Finding
from records.measure import Kind, Reference, Unit, to_unit
from records.plan import Plan
from records.run import Run
from records.trace import FloatArray

from ..display import reference_word, unit_for
from ..report import role_of

# An amount in Pa·m3 at 20 °C as std cm3, which the trade shows.
STD_CM3_PA_M3 = 0.101325
_HIGHEST = ("lockup_highest",)
_NEAR_S = 1e-3
_MOST = 4000  # samples that are drawn


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Fitted:
    """Data, the line through them, and their distance from it.

    Attributes:
        kind: "tail" (a line and settling), "mean" (one level), "highest" (the top).
        t_s: shape (n,), seconds from the part's start.
        value, line, residual: same shape, in ``unit`` and, the last, its difference.
        unit: with the reference. residual_unit: of a difference.
        blocks: the data are means over equal times, not samples.
    """

    kind: str
    t_s: FloatArray
    value: FloatArray
    line: FloatArray
    residual: FloatArray
    unit: str
    residual_unit: str
    blocks: bool


class Fits:
    """The fits of a run, made when the first one is asked for.

    Args:
        run: with its samples.
        plan: by which it is judged.
    """

    def __init__(self, run: Run, plan: Plan) -> None:
        self._run, self._plan = run, plan
        self._readings = Readings(run)
        self._made: tuple[Found, ...] | None = None

    def of(self, finding: Finding) -> Fitted | None:
        """Return what a finding was fitted to, or None where nothing was fitted."""
        if finding.evidence.window_s is None or finding.measured is None:
            return None
        found = self._estimate(finding)
        if found is not None and found.estimate.rate is not None:
            return self._tail(finding, found)
        return self._level(finding)

    def _estimate(self, finding: Finding) -> Found | None:
        if self._made is None:
            done = performances(self._run, self._plan)
            job = self._run.header.job
            self._made = tuple(estimates_by_step(self._readings, self._plan, done, job))
        for each in self._made:
            made = each.estimate
            same = (each.step_id, made.id, made.channel) == (
                finding.step,
                finding.id,
                finding.channel,
            )
            same = same and made.evidence.part == finding.evidence.part
            if same and _same_window(made.evidence.window_s, finding.evidence.window_s):
                return each
        return None

    def _tail(self, finding: Finding, found: Found) -> Fitted | None:
        rate = found.estimate.rate
        fit = None if rate is None else rate.fit
        if fit is None:
            return None
        n = fit.levels.size
        t = fit.start_s + (np.arange(n) + 0.5) / n * (fit.stop_s - fit.start_s)
        line = fit.levels - fit.blocks
        if "content" in dict(finding.evidence.model):
            first = float(line[0])
            value, drawn = (
                (each - first) / STD_CM3_PA_M3 for each in (fit.levels, line)
            )
            unit = residual_unit = "std cm3"
        else:
            shown = unit_for(self._plan, Kind.PRESSURE, self._role(finding))
            value, drawn = _in_unit(fit.levels, shown), _in_unit(line, shown)
            unit, residual_unit = f"{shown.name} gauge", shown.name
        return Fitted(
            kind="tail",
            t_s=t,
            value=value,
            line=drawn,
            residual=value - drawn,
            unit=unit,
            residual_unit=residual_unit,
            blocks=True,
        )

    def _role(self, finding: Finding) -> str:
        role = role_of(finding, self._run.header.rig)
        return role or finding.kind.channel or "outlet"

    def _level(self, finding: Finding) -> Fitted | None:
        """Return the samples of a pressure that was read over a stretch."""
        window, measured = finding.evidence.window_s, finding.measured
        channel = self._run.header.rig.channel(self._role(finding))
        if finding.kind.kind is not Kind.PRESSURE or channel is None:
            return None
        if finding.kind.reference is Reference.DIFFERENCE:
            return None
        if window is None or measured is None:
            return None
        trace = self._readings.trace(channel, finding.evidence.part)
        near = trace.between(window[0] - _NEAR_S, window[1] + _NEAR_S)
        good = near.flags == 0
        t, value = near.t_s[good], near.value[good]
        if t.size < 2 or not value.min() <= measured.value <= value.max():
            return None  # what was found is no level of these samples
        step = -(-t.size // _MOST)
        shown = unit_for(self._plan, Kind.PRESSURE, channel.role)
        value = _in_unit(value[::step], shown)
        line = np.full(value.size, to_unit(measured.value, shown))
        word = reference_word(channel.reference)
        return Fitted(
            kind="highest" if finding.id in _HIGHEST else "mean",
            t_s=t[::step],
            value=value,
            line=line,
            residual=value - line,
            unit=f"{shown.name} {word}".rstrip(),
            residual_unit=shown.name,
            blocks=False,
        )


def _in_unit(value_si: FloatArray, unit: Unit) -> FloatArray:
    return np.asarray((value_si - unit.offset) / unit.factor)


def _same_window(
    one: tuple[float, float] | None, other: tuple[float, float] | None
) -> bool:
    if one is None or other is None:
        return False
    return all(abs(a - b) < _NEAR_S for a, b in zip(one, other, strict=True))
