"""What the Bench desk shows at one moment: plain, immutable, without Qt."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from proofstand.drawing.bar import Bar, BarState
from proofstand.live_troubles import LiveTrouble


class Phase(StrEnum):
    """How far a test is."""

    OPENING = "opening"
    RUNNING = "running"
    SEALING = "sealing"
    OVER = "over"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The lines across the top.

    Attributes:
        first, second: regulator and plan; rig, calibration and readings.
        first_less: the first where there is little room.
        person, more: who; test gas and attempt.
        band: said across the whole head, or "".
    """

    first: str = ""
    second: str = ""
    first_less: str = ""
    person: str = ""
    more: str = ""
    band: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A scale and where its grid lines stand, with their labels."""

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """A band to be in or a wall not to cross, in the lane's unit.

    Attributes:
        low, high: both for a band; for a wall the one that must not be crossed.
        from_s, to_s: where it applies; ``to_s`` None: to the end of the picture.
        words: what it says. wall: hatched on the forbidden side.
        firm: a limit; otherwise an aim.
    """

    low: float | None
    high: float | None
    from_s: float
    to_s: float | None
    words: str
    wall: bool = False
    firm: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A finding's 95 % interval where it was read, in the lane's unit."""

    at_s: float
    low: float
    high: float
    state: BarState


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One channel with a scale of its own.

    Attributes:
        name: as it stands at the right-hand end. value, unit: the reading now.
        notes: highest, trend. factor, offset: SI to the unit shown.
        large: the channel that is worked on.
        stale: nothing good was read lately.
    """

    channel: str
    role: str
    name: str
    value: str
    unit: str
    notes: tuple[str, ...]
    factor: float
    offset: float
    scale: Range
    zones: tuple[Zone, ...] = ()
    intervals: tuple[Interval, ...] = ()
    large: bool = False
    stale: bool = False

    def shown(self, value_si: float) -> float:
        """Return an SI value in the lane's unit."""
        return (value_si - self.offset) / self.factor


@dataclass(frozen=True, slots=True)
class StepCell:
    """A step under its stretch; ``stop_s`` None while it is on."""

    id: str
    words: str
    start_s: float
    stop_s: float | None
    done: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The trace and its time axis.

    Attributes:
        from_s, to_s: what the picture shows. now_s: the latest reading.
        whole_s: how long the strip with the whole run is.
        over: nothing more comes; the picture itself is the whole run.
        to_come: the steps after the one that is on, as a sentence.
        looking: a person looks back; the picture does not follow the test. head: says
            so.
        cursors: two times. lines: what they read, and what lies under the trace.
        under: an earlier run lies under it.
        marked: from when to when a finding was read that is looked at.
    """

    from_s: float
    to_s: float
    now_s: float
    whole_s: float
    lanes: tuple[Lane, ...] = ()
    steps: tuple[StepCell, ...] = ()
    to_come: str = ""
    whole_words: str = ""
    ticks: tuple[tuple[float, str], ...] = ()
    over: bool = False
    looking: bool = False
    head: str = ""
    cursors: tuple[float, float] | None = None
    lines: tuple[str, ...] = ()
    under: bool = False
    marked: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldBar:
    """How far a hold is, seconds."""

    held_s: float
    total_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """The one thing to do now.

    Attributes:
        first, second: very large. detail: one line of why or how long.
        caution: what could hurt, or "".
        confirm: id of the request to confirm, or "" where nothing is to be pressed.
        armed: the key counts now; a request has to stand a moment first.
        foot: what is to be pressed, or that nothing is.
        grave: the first words are those of a fail.
        asks: in what an answer is typed, or "" where none is.
    """

    first: str
    second: str
    detail: str = ""
    caution: str = ""
    confirm: str = ""
    armed: bool = False
    hold: HoldBar | None = None
    foot: str = ""
    confirmed: bool = False
    grave: bool = False
    asks: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """One line of the findings; the word is always there.

    Attributes:
        word: how it stands. count: how many of its repeats are known, and what has to
            stand beside the interval.
        value: value, uncertainty, unit and reference. why: the reason in full.
    """

    id: str
    name: str
    word: str
    count: str
    value: str
    bar: Bar
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How the run stands, from its sealed file.

    Attributes:
        kind: the verdict's id. lines: likely causes and notes.
        run_path: the sealed file. paper: certificate or report, or None.
        paper_words: its title, number and place.
        make: what the key that makes one says, or "".
        tag: its tag, or None. tag_words: what it says and where it is.
        making: a paper is being made. step: what Enter does now, ``make``, ``tag`` or
            ``next``; armed: it does, for it has stood a moment.
    """

    kind: str
    first: str
    second: str
    lines: tuple[str, ...]
    run_words: str
    paper_words: str
    run_path: Path
    paper: Path | None
    make: str
    making: bool = False
    tag: Path | None = None
    tag_words: str = ""
    step: str = "make"
    armed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A trouble or a notice: what it is, and what to do."""

    what: str
    do: str = ""
    grave: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmShown:
    """An alarm: what could hurt people, said before everything else.

    Attributes:
        first: what it is. second: what to do at once. what: what was read.
        do: what to do, in that order. more: that others stand too, or "".
        key: what the key says that ends its sound, "" once it was heard.
        heard_by: who has heard it, as a sentence, or "".
    """

    first: str
    second: str
    what: str
    do: tuple[str, ...]
    more: str = ""
    key: str = ""
    heard_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """Everything that is shown.

    Attributes:
        goes_back: the test may go on from an earlier step. may_tell: a person may say
            what was done unasked. readings: the pressures now, in one line.
        troubles: what stands beside the test, the latest first.
    """

    phase: Phase
    head: Head
    picture: Picture | None
    action: Action
    findings: tuple[FindingRow, ...]
    strip: Strip | None = None
    verdict: Verdict | None = None
    stop: str = ""
    stop_sure: bool = False
    alarm: AlarmShown | None = None
    goes_back: bool = False
    may_tell: bool = False
    readings: str = ""
    troubles: tuple[LiveTrouble, ...] = ()
