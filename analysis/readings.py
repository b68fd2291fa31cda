"""A run's channels as the findings use them, and what is known of each channel."""

from __future__ import annotations

import math

import numpy as np

from records.judgement import BudgetLine, Shape
from records.measure import (
    ZERO_CELSIUS_K,
    Kind,
    Reference,
)
from records.rig import Channel, Rig, Traits
from records.run import Run
from records.trace import Trace

from .clean import Stretch, never_moves, stretch, usual_noise

# Where the rig file says nothing: the widest that the trade meets.
FALLBACK_TAU_S = 900.0
FALLBACK_AMPLITUDE_K = 10.0
FALLBACK_DRIFT_K_PER_H = 1.0
_UNMOVED = ("ambient", "bonnet")
_NEAR_S = 1e-6


class Readings:
    """The traces of a run by channel and part, read once.

    Args:
        run: the run, with the rig it was made on.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.rig: Rig = run.header.rig
        self.test_gas = run.header.plan.test_gas
        self._traces: dict[tuple[str, int], Trace] = {}
        self._noise: dict[tuple[str, int], float] = {}
        self._stretches: dict[
            tuple[str, int], dict[tuple[float, float, int], Stretch]
        ] = {}

    @property
    def traits(self) -> Traits | None:
        """What is known of the rig, or None."""
        return self.rig.traits

    @property
    def tau_max_s(self) -> float:
        """Longest time constant of the trapped gas."""
        return FALLBACK_TAU_S if self.traits is None else self.traits.tau_max.value_si

    @property
    def tail_k(self) -> float:
        """Largest plausible settling of the gas temperature, kelvin."""
        if self.traits is None:
            return FALLBACK_AMPLITUDE_K
        return self.traits.tail_amplitude.value_si

    @property
    def drift_k_per_s(self) -> float:
        """How fast the gas temperature may move unseen, kelvin per second."""
        per_hour = (
            FALLBACK_DRIFT_K_PER_H
            if self.traits is None
            else self.traits.temperature_drift_k_per_h
        )
        return per_hour / 3600.0

    def channel(self, role: str) -> Channel | None:
        """Return the channel of a role, or None."""
        return self.rig.channel(role)

    def pressure_channels(self) -> tuple[Channel, ...]:
        """Return all channels that read a pressure."""
        return tuple(
            c for c in self.rig.channels if c.measure_unit.kind is Kind.PRESSURE
        )

    def trace(self, channel: Channel, part: int) -> Trace:
        """Return a channel's calibrated samples in a part."""
        key = (channel.id, part)
        if key not in self._traces:
            if any(p.number == part for p in self.run.parts):
                self._traces[key] = self.run.trace(channel, part)
            else:
                empty = np.empty(0)
                self._traces[key] = Trace(
                    channel.id, empty, empty, np.empty(0, np.uint8)
                )
        return self._traces[key]

    def stretch(
        self, channel: Channel, part: int, start_s: float, stop_s: float, least: int = 8
    ) -> Stretch:
        """Return the good samples of a channel between two times."""
        key = (channel.id, part)
        known = self._stretches.setdefault(key, {})
        window = (start_s, stop_s, least)
        if window not in known:
            trace = self.trace(channel, part)
            if key not in self._noise:
                self._noise[key] = self._usual(channel, trace)
            known[window] = stretch(
                trace,
                start_s,
                stop_s,
                resolution(channel),
                noise=self._noise[key],
                least=least,
            )
        return known[window]

    def _usual(self, channel: Channel, trace: Trace) -> float:
        """Return the usual noise of a channel; of one that never moves any is usual."""
        noise = usual_noise(trace)
        gauge = (
            channel.role not in _UNMOVED and channel.measure_unit.kind is Kind.PRESSURE
        )
        # a pressure that is worked with and reads the same throughout is not read
        return math.inf if noise == 0.0 and gauge and never_moves(trace) else noise

    def looked_at(
        self, channel: Channel, part: int, start_s: float, stop_s: float
    ) -> Stretch:
        """Return the stretch that a finding from between two times was made of.

        Of those asked for already the narrowest that holds both times, else a new one.
        """
        known = self._stretches.get((channel.id, part), {})
        holding = [
            found
            for found in known.values()
            if found.start_s <= start_s + _NEAR_S and found.stop_s >= stop_s - _NEAR_S
        ]
        if not holding:
            return self.stretch(channel, part, start_s, stop_s)
        return min(holding, key=lambda found: found.stop_s - found.start_s)


def resolution(channel: Channel) -> float:
    """Return the smallest step of a channel's reading, SI."""
    step = abs(channel.resolution.value_si)
    if channel.measure_unit.kind is Kind.TEMPERATURE and step > 100.0:
        # typed as a temperature, meant as a step
        step = abs(step - ZERO_CELSIUS_K)
    return step


def calibration_lines(
    channel: Channel, value: float, *, difference: bool
) -> list[BudgetLine]:
    """Return what a channel's calibration adds to a level or to a difference.

    Args:
        channel: with its calibration record.
        value: level or difference, SI.
        difference: True where two readings of the channel are subtracted: the zero
            enters both, fully correlated, and cancels; so does the span, which leaves
            its share of the difference; the form of the curve enters twice.
    """
    record = channel.calibration
    if record is None:
        return []
    times = math.sqrt(2.0) if difference else 1.0
    lines = []
    for number, term in enumerate(record.terms):
        if term.kind == "offset" and difference:
            lines += [
                BudgetLine(
                    source="calibration_offset",
                    u=term.u.value_si,
                    sensitivity=sign,
                    dof=term.dof,
                    group=f"{channel.id} zero {number}",
                )
                for sign in (1.0, -1.0)
            ]
            continue
        if term.kind == "offset":
            sensitivity = 1.0
        elif term.kind == "gain":
            sensitivity = value
        else:
            sensitivity = times
        lines.append(
            BudgetLine(
                source=f"calibration_{term.kind.value}",
                u=term.u.value_si,
                sensitivity=sensitivity,
                dof=term.dof,
            )
        )
    return lines


def resolution_line(channel: Channel, sensitivity: float = 1.0) -> BudgetLine:
    """Return what the channel's resolution adds to one reading."""
    return BudgetLine(
        source="resolution",
        u=resolution(channel) / math.sqrt(12.0),
        sensitivity=sensitivity,
        shape=Shape.RECTANGULAR,
    )


def absolute_offset(channel: Channel, barometer_pa: float) -> float:
    """Return what turns a reading of the channel into an absolute pressure, Pa."""
    if channel.sealed_at is not None:
        return channel.sealed_at.value_si
    return barometer_share(channel) * barometer_pa


def barometer_share(channel: Channel) -> float:
    """Return how much of a change of the barometer the absolute pressure takes, 1.

    A gauge reading says nothing of it; absolute and sealed gauge have it in them.
    """
    inside = channel.reference is Reference.ABSOLUTE or channel.sealed_at is not None
    return 0.0 if inside else 1.0
