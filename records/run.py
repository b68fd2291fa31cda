"""A run: one performance of a plan, with its parts, marks and samples."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np

from .approval import Approval
from .boundary import Boundary
from .jobcard import JobCard
from .measure import Quantity
from .plan import Plan
from .rig import Channel, Rig
from .shift import CautionsRead, ShiftRelied
from .trace import Block, FlagArray, FloatArray, RecordedTrace, TimeArray, Trace

LOOP_ZERO_MA = 4.0  # live zero of a 4 to 20 mA signal
LOOP_SPAN_MA = 16.0
_CHUNK = 65_536
# Up to here seconds tell nanoseconds apart.
_FINE_NS = 10**15

# What may be asked of the hands.
ACTS = (
    "open_to_air",
    "fit_blank",
    "fit_regulator",
    "fit_as_received",
    "screw_out",
    "raise_inlet",
    "set_inlet",
    "fill_outlet",
    "isolate_inlet",
    "raise_outlet",
    "shut_source",
    "let_down_outlet",
    "set_outlet",
    "set_flow",
    "add_gas",
    "open_leak",
    "lock_nut",
    "exercise",
    "open_bleed",
    "draw_off",
    "close_bleed",
    "look",
    "hands_off",
    "vent_down",
    "disconnect",
)


class RunState(StrEnum):
    """How far a run got as a record."""

    RECORDING = "recording"
    INTERRUPTED = "interrupted"
    CLOSED = "closed"
    SEALED = "sealed"
    DAMAGED = "damaged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked of the hands now.

    Attributes:
        id: name within the run, so that an answer can point at it.
        step: step of the plan. act: one of ``ACTS``.
        aim: pressure (gauge), flow or amount to bring about, where the act has one.
        lasting: how long it is to be done, where that matters.
        confirm: True where the test goes on only after a person says it is done.
        caution: id of the caution to show, or "".
        repeats: how many times (exercise).
        look: the finding that an answer is wanted for, or "". asks: the question.
        instrument: what a number is read from. resolution: smallest step of that.
    """

    id: str
    step: str
    act: str
    aim: Quantity | None = None
    lasting: Quantity | None = None
    confirm: bool = False
    caution: str = ""
    repeats: int = 1
    look: str = ""
    asks: str = ""
    instrument: str = ""
    resolution: Quantity | None = None


# In a mark of a step begun again: a person names the rig as the cause.
RIG_CAUSE = "rig_cause"


class MarkKind(StrEnum):
    """What a mark says happened."""

    STEP_BEGIN = "step_begin"
    ASKED = "asked"
    CONFIRMED = "confirmed"
    ANSWERED = "answered"
    SEEN = "seen"
    HOLD_BEGIN = "hold_begin"
    HOLD_END = "hold_end"
    STEP_END = "step_end"
    STEP_REPEAT = "step_repeat"
    STEP_SKIP = "step_skip"
    ADJUSTED = "adjusted"
    OPENED = "opened"
    TROUBLE = "trouble"
    ABANDONED = "abandoned"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """An event in time: what was asked, seen or said.

    Attributes:
        part: part of the run. t_s: seconds from the part's start, sample time.
        by: ``trace`` when seen by itself, else who said it.
        data: facts, as text.
    """

    part: int
    t_s: float
    kind: MarkKind
    step: str = ""
    data: dict[str, str] = field(default_factory=dict)
    by: str = "trace"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One start of the recorder.

    Attributes:
        number: 1, 2, ... utc_ns: the wall clock at its start.
        host_ns: the monotonic clock at its start.
        origins: per instrument, the time on the instrument's clock that is the start
            of the part, nanoseconds.
    """

    number: int
    utc_ns: int
    host_ns: int
    origins: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Software:
    """What made the record."""

    version: str
    analysis_version: int
    python: str = ""
    system: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """What is known of a run when it starts.

    Attributes:
        rig: as its file declared it, narrowed to the station.
        station: the station that the regulator was tested on, "" in older records.
        approval: of the plan's text when the run began, None for a draft.
        shift: the shift's check that stands behind it, or None.
        cautions: who read the cautions for its gas and pressure, or None.
    """

    id: str
    started_utc_ns: int
    origin: str  # "record", "simulate", "import", "recover"
    job: JobCard
    plan: Plan
    plan_text: str
    plan_sha256: str
    rig: Rig
    software: Software
    by: str = ""
    source: str = ""  # a file it was imported or recovered from, with its digest
    station: str = ""
    approval: Approval | None = None
    shift: ShiftRelied | None = None
    cautions: CautionsRead | None = None


@dataclass(frozen=True, eq=False)
class Samples:
    """All samples of one instrument in one part."""

    t_ns: TimeArray
    raw: FloatArray
    flags: FlagArray

    @functools.cached_property
    def rising(self) -> bool:
        """True where each sample's time lies above the last one's."""
        t = self.t_ns
        return all(
            bool((t[i + 1 : i + _CHUNK + 1] > t[i : min(i + _CHUNK, t.size - 1)]).all())
            for i in range(0, t.size - 1, _CHUNK)
        )

    @functools.cached_property
    def seconds(self) -> dict[tuple[int, int, int], FloatArray]:
        """What its channels share of times in seconds; see ``RecordedTrace``."""
        return {}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Run:
    """A run as read from its file.

    Attributes:
        header: what was known at the start.
        state: see :class:`RunState`. sha256: the run's hash, "" while unsealed.
        key_id: fingerprint of the key that signed the seal, or "" when unsigned.
        truth: the simulator's true parameters, or None for a real rig.
        samples: per (part number, instrument id).
        moved: boundaries that who reviews it moved by hand; never in its file.
    """

    header: RunHeader
    state: RunState
    sha256: str
    key_id: str
    parts: tuple[Part, ...]
    marks: tuple[Mark, ...]
    truth: Mapping[str, Any] | None
    samples: Mapping[tuple[int, str], Samples]
    moved: tuple[Boundary, ...] = ()

    @property
    def id(self) -> str:
        """The run's id."""
        return self.header.id

    @property
    def dated(self) -> bool:
        """Its day is known: an imported log may tell times without a date."""
        return self.header.origin != "import" or any(p.utc_ns for p in self.parts)

    def trace(self, channel: Channel, part: int) -> Trace:
        """Return a channel's samples in a part as values in SI.

        The calibration recorded with the run is applied where values are asked for; raw
        data stay as they are.
        """
        found = self.samples.get((part, channel.instrument))
        if found is None or found.t_ns.size == 0:
            return Trace(channel.id, np.empty(0), np.empty(0), np.empty(0, np.uint8))
        known = next((p.origins for p in self.parts if p.number == part), {})
        # A journal cut off right after its first block may lack the origin.
        origin = known.get(channel.instrument, int(found.t_ns[0]))
        column = self.header.rig.columns(channel.instrument).index(channel)
        raw, flags = found.raw[:, column], found.flags[:, column]
        ends = int(found.t_ns[0]) - origin, int(found.t_ns[-1]) - origin
        if found.rising and max(map(abs, ends)) < _FINE_NS:
            return RecordedTrace(
                channel.id,
                found.t_ns,
                raw,
                flags,
                origin,
                functools.partial(channel_values, channel),
                found.seconds,
            )
        return channel_trace(channel, found.t_ns, raw, flags, origin)


def reading_si(channel: Channel, raw: FloatArray) -> FloatArray:
    """Return uncalibrated readings in SI from raw counts, any shape."""
    unit = channel.measure_unit
    scaled = np.asarray(raw, dtype=np.float64) * channel.scale + channel.offset
    if channel.loop is not None:
        low, high = channel.loop.low.value_si, channel.loop.high.value_si
        return low + (scaled - LOOP_ZERO_MA) / LOOP_SPAN_MA * (high - low)
    return scaled * unit.factor + unit.offset


def channel_values(channel: Channel, raw: FloatArray) -> FloatArray:
    """Return calibrated values in SI from raw counts, any shape."""
    reading = reading_si(channel, raw)
    if channel.calibration is None:
        return reading
    return channel.calibration.apply(reading)


def channel_trace(
    channel: Channel,
    t_ns: TimeArray,
    raw: FloatArray,
    flags: FlagArray,
    origin_ns: int,
) -> Trace:
    """Return raw samples of one channel as a trace in SI.

    A sample whose time does not rise above the last one's is left out of the trace (it
    stays in the record, and the trace tells its time): a repeated answer is not a
    second measurement.
    """
    t_s: FloatArray = np.asarray((t_ns - origin_ns) * 1e-9, dtype=np.float64)
    if bool((t_s[1:] > t_s[:-1]).all()):  # as nearly always
        with np.errstate(invalid="ignore", over="ignore"):
            return Trace(channel.id, t_s, channel_values(channel, raw), flags)
    before = np.maximum.accumulate(np.concatenate(([-np.inf], t_s[:-1])))[: t_s.size]
    keep = t_s > before
    with np.errstate(invalid="ignore", over="ignore"):
        # what is no number stays none
        values = channel_values(channel, raw[keep])
    return Trace(
        channel.id,
        t_s[keep],
        values,
        flags[keep],
        np.sort(t_s[t_s == before]),
        np.sort(t_s[t_s < before]),
    )


def as_blocks(run: Run, rows: int = 20) -> list[Block]:
    """Return a run's samples as blocks, in the order they were read."""
    blocks: list[Block] = []
    for (part, instrument), s in run.samples.items():
        for i in range(0, s.t_ns.size, rows):
            cut = slice(i, i + rows)
            blocks.append(
                Block(part, instrument, s.t_ns[cut], s.raw[cut], s.flags[cut])
            )
    blocks.sort(key=lambda b: (b.part, int(b.t_ns[0])))
    return blocks
