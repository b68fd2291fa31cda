"""What the readings themselves say of a finding, whatever family it belongs to.

Which samples were left out, whether steps hide what the pressure does or are coarser
than declared, and whether the pressure was let out, or moved all at once, in the middle
of a hold.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from records.errors import Reason
from records.judgement import FINDINGS
from records.measure import Kind
from records.rig import Channel
from records.trace import Trace

from .clean import CLASSES, Stretch
from .estimate import Estimate
from .events import find_events, smallest_step
from .readings import Readings, barometer_share, resolution
from .steady import block_means

_SIDES = ("inlet", "outlet")
_AIR_PA = 101_325.0
_HELD = ("lockup_highest",)
# A leak lets the pressure go from the start on; an opened valve lets it go at once.
_LOST_SHARE = 0.5
_EARLIEST = 0.05
_AT_ONCE = 0.1
_LEAST_BLOCKS = 20
_BEGUN_S = 3.0
_COARSER = 2.0  # than the declared resolution


def as_read(estimate: Estimate, readings: Readings) -> Estimate:
    """Return an estimate with what its readings say of it."""
    window, part = estimate.evidence.window_s, estimate.evidence.part
    if window is None or FINDINGS[estimate.id].kind is Kind.COUNT:
        return estimate
    channels = _channels(estimate, readings)
    stretches = [readings.looked_at(c, part, *window) for c in channels]
    notes = [_left_out(s) for s in stretches if s.left_out]
    trouble: list[Reason] = []
    doubt: list[Reason] = []
    changes = FINDINGS[estimate.id].kind in (Kind.LEAK, Kind.RATE)
    if changes:
        doubt += [s.coarse for s in stretches if s.coarse is not None]
    if changes or estimate.id in _HELD:
        for channel, held in zip(channels, stretches, strict=True):
            at = let_out(channel, held)
            if at is not None:
                out = Reason.of("vented_in_hold", channel=channel.id, at_s=f"{at:.1f}")
                trouble.append(out)
                continue
            at = moved(channel, held, *window) if changes else None
            if at is not None:
                # a large leak does it too: it may fail by that, and never pass
                doubt.append(
                    Reason.of("moved_in_hold", channel=channel.id, at_s=f"{at:.1f}")
                )
    if not changes:
        trouble += [
            why
            for channel, held in zip(channels, stretches, strict=True)
            if (why := _coarser(channel, held)) is not None
        ]
    if not (notes or trouble or doubt or any(s.each > 1.0 for s in stretches)):
        return estimate
    evidence = dataclasses.replace(
        estimate.evidence,
        notes=(*estimate.evidence.notes, *notes),
        used=_used(estimate, stretches),
    )
    told = dataclasses.replace(estimate, evidence=evidence)
    return told.but(trouble=trouble, doubt=doubt)


def _channels(estimate: Estimate, readings: Readings) -> list[Channel]:
    roles = (estimate.channel,) if estimate.channel else _SIDES
    return [c for c in map(readings.channel, roles) if c is not None]


def _used(estimate: Estimate, stretches: list[Stretch]) -> int:
    """Return how many samples were used, where values are means of several."""
    each = max((s.each for s in stretches), default=1.0)
    return round(estimate.evidence.used * each)


def _left_out(held: Stretch) -> Reason:
    counts = dict.fromkeys(CLASSES, 0) | dict(held.left_out)
    return Reason.of("samples_left_out", channel=held.channel, **counts)


def moved(
    channel: Channel, held: Stretch, start_s: float, stop_s: float
) -> float | None:
    """Return when a held pressure first fell or rose all at once, or None.

    A trapped gas does not: the regulator reopened, or a hand or a relief valve let gas
    pass. What was left out of the finding for it lies outside its times.
    """
    use = (held.t_s >= start_s) & (held.t_s <= stop_s)
    t, y = held.t_s[use], held.value[use]
    trace = Trace(channel.id, t, y, np.zeros(t.size, np.uint8))
    for event in find_events(trace, 0.0, resolution(channel)):
        if event.window_s[0] > start_s + _BEGUN_S:
            return event.t_s
    return None


def _coarser(channel: Channel, held: Stretch) -> Reason | None:
    """Return that readings stand in coarser steps than the rig file declares."""
    if held.each > 1.0 or held.value.size < _LEAST_BLOCKS:
        return None  # means of several have no steps
    step, declared = smallest_step(held.value), resolution(channel)
    if not declared > 0.0 or step < _COARSER * declared:
        return None
    unit = channel.measure_unit
    return Reason.of(
        "steps_coarser",
        channel=channel.id,
        step=f"{step / unit.factor:.3g} {unit.name} difference",
        declared=channel.resolution.typed,
    )


def let_out(channel: Channel, held: Stretch) -> float | None:
    """Return when a held pressure was let out all at once, or None.

    It is where the pressure loses half of its gauge level or more, and most of that in
    a tenth of the hold, after it had kept its level for a while.
    """
    blocks = min(400, max(_LEAST_BLOCKS, round(held.width_s)))
    if held.value.size < 2 * blocks:
        return None
    gauge = held.value - (_AIR_PA if barometer_share(channel) == 0.0 else 0.0)
    level = block_means(gauge, blocks)
    few = max(2, blocks // 20)
    before, after = float(np.median(level[:few])), float(np.median(level[-few:]))
    scatter = float(np.median(np.abs(np.diff(level))))
    if not before > 20.0 * scatter or after > _LOST_SHARE * before:
        return None
    lost = before - after
    begun = int(np.argmax(level < before - 0.1 * lost))
    over = int(np.argmax(level < before - 0.9 * lost))
    if begun <= _EARLIEST * blocks or over - begun > _AT_ONCE * blocks:
        return None
    return float(held.t_s[begun * held.t_s.size // blocks])
