"""What the trace shows of a step that could not be brought to its end.

A test that ends early has few findings, and yet its trace tells why: a reading that no
longer moves, an inlet that does not come up, an outlet that jerks and never stands.
Only steps that were given up are looked at. Signs: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from records.errors import Reason
from records.rig import Channel
from records.trace import FloatArray, Trace

from .clean import usual_noise
from .marks import Performance, Skipped
from .readings import Readings

STILL = "still"
SHORT = "short"
STRAYS = "strays"
SWINGS = "swings"
JERKS = "jerks"
FOLLOWS = "follows"
_GIVEN_UP = ("timed_out", "abandoned", "over_pressure")
_AT_LEAST_S = 6.0  # shorter, and it shows nothing
_STILL_S = 10.0
_LAST_S = 60.0
_BLOCK_S = 4.0
_SHORT_BY = 0.02  # of the inlet that was asked for
_SAGS_BY = 0.05  # of the inlet, while the outlet is worked with
_FAR = 0.01  # scatter within a block, of its mean
_OVER = 10.0  # and of the usual noise
_SWINGS_FROM = 4  # times through its mean within a block: half a hertz and faster
_OFTEN = 0.25  # of the blocks
_TURNS = 10  # blocks that moved: a sound regulator is set in less
_LEAST = 8  # readings in a block
_OF_INLET = ("raise_inlet", "set_inlet")
_OF_OUTLET = ("set_outlet", "exercise", "open_bleed", "close_bleed", "fill_outlet")
_TO_AIR = ("open_to_air", "vent_down")


@dataclass(frozen=True, slots=True)
class Halted:
    """What one step that was given up shows.

    Attributes:
        sign: :data:`STILL`, the outlet's reading never moved; :data:`SHORT`, the inlet
            lay below what was asked for; :data:`STRAYS`, it never stood;
            :data:`SWINGS`, :data:`JERKS`, the outlet swung to and fro, or moved by
            jerks; :data:`FOLLOWS`, it rose with the inlet, the adjuster out.
        share: how much, 0 to 1: of the inlet that lacked, of the time that it moved.
        why: the same with its figures, to be said.
    """

    sign: str
    share: float
    why: Reason


def halted(
    readings: Readings, done: Mapping[str, Performance | Skipped]
) -> tuple[Halted, ...]:
    """Return what the first step shows that was given up before it was done."""
    for performed in done.values():
        if isinstance(performed, Skipped) or performed.how not in _GIVEN_UP:
            continue
        if performed.asked and _was_asked_in_vain(performed):
            return tuple(_shown(readings, performed))
    return ()


def _was_asked_in_vain(done: Performance) -> bool:
    """Tell whether it was what was asked of the hands that did not come about."""
    return done.hold is None or done.asked[-1][1] >= done.hold[1]


def _shown(readings: Readings, done: Performance) -> Iterator[Halted]:
    act, asked_s = done.asked[-1]
    if done.step.kind == "pressurise" and done.how == "over_pressure":
        yield Halted(FOLLOWS, 1.0, Reason.of("outlet_followed", step=done.step.id))
        return
    if done.end_s - asked_s < _AT_LEAST_S:
        return
    outlet, inlet = readings.channel("outlet"), readings.channel("inlet")
    if outlet is not None and act in (*_OF_OUTLET, *_TO_AIR):
        trace = readings.trace(outlet, done.part)
        still = _still(trace, asked_s, done)
        if still is not None:
            yield still
        elif act in _OF_OUTLET:
            t, y = _good(readings, outlet, done, asked_s)
            before = usual_noise(trace.between(-np.inf, asked_s))
            yield from _restless(t, y, before, done)
    if inlet is not None and act in (*_OF_INLET, *_OF_OUTLET):
        t, y = _good(readings, inlet, done, asked_s)
        short = _short(t, y, done, _SHORT_BY if act in _OF_INLET else _SAGS_BY)
        if short is None and act in _OF_INLET:
            short = _strays(y, done)
        if short is not None:
            yield short


def _good(
    readings: Readings, channel: Channel, done: Performance, start_s: float
) -> tuple[FloatArray, FloatArray]:
    good = readings.trace(channel, done.part).between(start_s, done.end_s).good()
    return good.t_s, good.value


def _still(trace: Trace, start_s: float, done: Performance) -> Halted | None:
    """Tell whether the reading stood at one value, to its last figure, to the end."""
    good = trace.between(-np.inf, done.end_s).good()
    t, y = good.t_s, good.value
    if t.size < _LEAST:
        return None
    moved = np.flatnonzero(y != y[-1])
    begun = int(moved[-1]) + 1 if moved.size else 0
    stood_s, asked_s = done.end_s - float(t[begun]), done.end_s - start_s
    if stood_s < max(_STILL_S, asked_s / 2.0):
        return None
    # coarse steps may hide the noise, and then standing still says nothing
    if begun and usual_noise(trace.between(float(t[0]), float(t[begun]))) == 0.0:
        return None
    why = Reason.of("reading_stood_still", step=done.step.id, seconds=f"{stood_s:.0f}")
    return Halted(STILL, 1.0, why)


def _short(t: FloatArray, y: FloatArray, done: Performance, by: float) -> Halted | None:
    """Tell whether the inlet lay below what the step asks for."""
    if done.step.inlet is None or t.size == 0:
        return None
    aim = done.step.inlet.value_si
    last = y[t >= t[-1] - _LAST_S]
    lacks = 1.0 - float(np.median(last)) / aim
    if lacks < by:
        return None
    why = Reason.of(
        "inlet_not_reached", step=done.step.id, lacks=f"{100.0 * lacks:.0f} %"
    )
    return Halted(SHORT, min(1.0, lacks), why)


def _strays(y: FloatArray, done: Performance) -> Halted | None:
    """Tell whether the inlet went on moving when it should have stood."""
    if done.step.inlet is None or y.size < 4 * _LEAST:
        return None
    quarters = [float(np.median(q)) for q in np.array_split(y, 4)]
    moved = (quarters[3] - quarters[1]) / done.step.inlet.value_si
    if abs(moved) < _SHORT_BY:
        return None
    told = f"{100.0 * abs(moved):.0f} %"
    why = Reason.of("inlet_never_stood", step=done.step.id, moved=told)
    return Halted(STRAYS, 1.0, why)


def _restless(
    t: FloatArray, y: FloatArray, noise: float, done: Performance
) -> Iterator[Halted]:
    """Yield how much of the time the outlet swung, or else moved by jerks.

    Either moves far within a few seconds; what swings goes through its mean again and
    again, what sticks and slips once or twice.
    """
    if t.size < _LEAST:
        return
    block = np.floor((t - t[0]) / _BLOCK_S).astype(np.int64)
    pieces = np.split(y, np.flatnonzero(np.diff(block)) + 1)
    pieces = [p for p in pieces if p.size >= _LEAST]
    far = [np.std(p) > max(_FAR * abs(p.mean()), _OVER * noise) for p in pieces]
    moved = [p for p, moves in zip(pieces, far, strict=True) if moves]
    # hands that gave up may have let it stand for long: what counts is until then
    worked = len(far) - far[::-1].index(True) if moved else 1
    share = len(moved) / worked
    if share < _OFTEN:
        return
    # a swing that begins and ends within a block looks like a jerk
    swung = sum(_through_mean(p) >= _SWINGS_FROM for p in moved) >= _OFTEN * len(moved)
    if not swung and len(moved) < _TURNS:
        return  # no more than what setting it takes
    sign, id = (SWINGS, "outlet_swung") if swung else (JERKS, "outlet_never_stood")
    told = f"{100.0 * share:.0f} %"
    yield Halted(sign, share, Reason.of(id, step=done.step.id, share=told))


def _through_mean(y: FloatArray) -> int:
    """Return how often readings go from one side of their mean to the other."""
    return int(np.count_nonzero(np.diff(np.signbit(y - y.mean()))))
