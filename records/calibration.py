"""Calibration of a channel: what was found, when, and how well; and how it is applied.

A calibration turns a reading (SI, from the register's scale) into a value by a
polynomial, and says how far that value may be wrong. Terms of uncertainty are kept
apart by how they act when two readings of one channel are subtracted:

``offset``     common to all readings of the channel; cancels in a difference
``gain``       relative to the value; acts on a difference in proportion
``linearity``  differs from level to level; does not cancel

A calibration made here is a dated record of its own, with the points it was made from
and the reference instrument as it was declared then. It is written once.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar, Literal

import numpy as np

from .measure import Quantity, Reference
from .trace import FloatArray

BEYOND = 0.05  # of the range compared: as far the curve may be drawn on
SAME_LEVEL = 0.005  # of the range: points as near as this were made at one level
REFERENCE_FORMAT = "proofstand.reference/1"
RECORD_FORMAT = "proofstand.calibration/1"
Direction = Literal["up", "down"]
When = Literal["as found", "as left"]


class TermKind(StrEnum):
    """How a term of uncertainty acts on readings of the same channel."""

    OFFSET = "offset"
    GAIN = "gain"
    LINEARITY = "linearity"


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationTerm:
    """One term of a calibration's uncertainty.

    Attributes:
        name: where it comes from, as the budget shows it.
        kind: how it acts, see :class:`TermKind`.
        u: standard uncertainty; a pressure difference (or temperature difference), or
            a ratio for ``gain``.
        dof: degrees of freedom, or None when taken as infinite.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    name: str
    kind: TermKind
    u: Quantity
    dof: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A dated, immutable record of a channel's calibration.

    Attributes:
        id: number of the record.
        date: day it was made. due: last day on which it holds.
        standard: the reference that was used, as the record names it.
        coefficients: c0, c1, ... of value = c0 + c1 x + ..., x and value in SI.
        terms: the uncertainty, see :class:`CalibrationTerm`.
        record: SHA-256 of the record file that it was read from, "" without one.
        range: lowest and highest value that was compared, None where not stated.
        reads: how the channel made its readings then, see ``Channel.reads``; "" where
            not stated.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    date: datetime.date
    due: datetime.date
    standard: str
    coefficients: tuple[float, ...] = (0.0, 1.0)
    terms: tuple[CalibrationTerm, ...] = ()
    record: str = ""
    range: tuple[Quantity, Quantity] | None = None
    reads: str = ""

    @property
    def sha256(self) -> str:
        """Digest of the record's content, the same wherever it is computed."""
        content = [
            self.id,
            self.date.isoformat(),
            self.due.isoformat(),
            self.standard,
            [float(c).hex() for c in self.coefficients],
            [[t.name, t.kind.value, t.u.value_si.hex(), t.dof] for t in self.terms],
            *([self.record] if self.record else []),
            *([q.value_si.hex() for q in self.range] if self.range else []),
        ]
        text = json.dumps(content, ensure_ascii=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    def apply(self, reading: FloatArray) -> FloatArray:
        """Return values for readings, SI, any shape."""
        first, *others = reversed(self.coefficients or (0.0,))
        value: FloatArray = np.full_like(reading, first)
        for coefficient in others:
            value *= reading
            value += coefficient
        return value

    def u_at(self, value: float) -> float:
        """Return the standard uncertainty of one value, SI."""
        return _u_at(self.terms, value)

    def covers(self, low: float, high: float) -> bool:
        """Tell whether values were compared, SI; a little beyond the ends counts."""
        if self.range is None:
            return True
        first, last = (q.value_si for q in self.range)
        slack = BEYOND * (last - first)
        return first - slack <= low and high <= last + slack

    def u_offset(self) -> float:
        """Standard uncertainty of the zero, SI."""
        return _root_sum(self.terms, TermKind.OFFSET)

    def u_gain(self) -> float:
        """Relative standard uncertainty of the span, 1."""
        return _root_sum(self.terms, TermKind.GAIN)

    def u_linearity(self) -> float:
        """Standard uncertainty of the form of the curve, SI."""
        return _root_sum(self.terms, TermKind.LINEARITY)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundError:
    """How far a channel was found to be off: what it showed less what was true, SI.

    Attributes:
        zero: the same at every value.
        share: of the value, 1.
        points: values shown, rising, each with the error there; straight between two
            of them, and beyond the ends as at the end.
    """

    zero: float = 0.0
    share: float = 0.0
    points: tuple[tuple[float, float], ...] = ()

    def at(self, shown: FloatArray) -> FloatArray:
        """Return the error at values shown, SI, any shape."""
        error: FloatArray = self.zero + self.share * shown
        if self.points:
            levels, errors = zip(*self.points, strict=True)
            error = error + np.interp(shown, levels, errors)
        return error


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected(Calibration):
    """A calibration with an error that was found later taken off; for a dry run only.

    Attributes:
        error: what was found.
    """

    error: FoundError

    def apply(self, reading: FloatArray) -> FloatArray:
        """Return values for readings without the error, SI, any shape."""
        shown = Calibration.apply(self, reading)
        return shown - self.error.at(shown)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceInstrument:
    """An instrument of the shop that others are calibrated against.

    Attributes:
        id: the shop's number for it. serial, certificate: as stamped and as named.
        date: day of its own calibration. due: last day on which that holds.
        range: lowest and highest value that its certificate covers.
        terms: its uncertainty, see :class:`CalibrationTerm`.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    id: str
    serial: str
    certificate: str
    date: datetime.date
    due: datetime.date
    range: tuple[Quantity, Quantity]
    terms: tuple[CalibrationTerm, ...]
    name: str = ""

    @property
    def reference(self) -> Reference:
        """What its pressures are measured against."""
        return self.range[0].reference

    @property
    def told(self) -> str:
        """The instrument as a calibration record names it."""
        name = f"{self.name} " if self.name else ""
        return f"{name}{self.id}, serial {self.serial}, certificate {self.certificate}"

    def u_at(self, value: float) -> float:
        """Return its standard uncertainty at a value, SI."""
        return _u_at(self.terms, value)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPoint:
    """One comparison of a channel with the reference, SI.

    Attributes:
        when: before or after an adjustment. Points as found alone say that none was
            made, so that they are as left, too.
        run: 1, 2, ...; going up and coming down again is one run.
        applied: value of the reference. reading: of the channel, uncalibrated.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    when: When
    run: int
    direction: Direction
    applied: float
    reading: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """How far calibrated values were from the reference, SI.

    Attributes:
        largest: the largest error, with its sign. at: where, value of the reference.
        allowed: expanded uncertainty (k = 2) that was claimed there, or None.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    largest: float
    at: float
    allowed: float | None = None

    @property
    def within(self) -> bool:
        """No error is larger than what was claimed."""
        return self.allowed is None or abs(self.largest) <= self.allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What the points show of the channel, each as a share of the span.

    Attributes:
        non_linearity: largest distance of the mean of up and down from the fitted
            curve; of a curve that is no straight line, its conformity.
        terminal_non_linearity: the same, with the curve moved so that it meets the ends
            of that mean.
        hysteresis: largest difference of coming down from going up, at one level.
        repeatability: largest spread at one level, coming from the same side; None
            where there is only one run.
        largest_error: largest distance of any single point from the fitted curve. None
            in a record made before it was told apart: there ``non_linearity`` is this,
            and ``terminal_non_linearity`` that of the first run up.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    non_linearity: float
    terminal_non_linearity: float
    hysteresis: float
    repeatability: float | None = None
    largest_error: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRecord:
    """A calibration as it was made: the file that stays.

    Attributes:
        sha256: of everything after the line that holds it.
        order: of the polynomial. method: how it was fitted, in words.
        range: lowest and highest value of the reference.
        reads: how the channel made its readings, see ``Channel.reads``.
        coefficients, terms: see :class:`Calibration`.
        as_found: errors of the points as found with the calibration that was in force
            before; None where none were taken.
        as_left: errors with this one, of the points as left.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    sha256: str = ""
    id: str
    rig: str
    channel: str
    date: datetime.date
    due: datetime.date
    by: str
    note: str = ""
    supersedes: str = ""
    order: int
    method: str
    range: tuple[Quantity, Quantity]
    reads: str = ""
    coefficients: tuple[float, ...]
    terms: tuple[CalibrationTerm, ...]
    figures: Figures
    as_found: Errors | None = None
    as_left: Errors
    reference: ReferenceInstrument
    points: tuple[CalibrationPoint, ...]

    def error_found(self, then: Calibration | None) -> FoundError:
        """Return the error of values as found, by the calibration that made them.

        Levels are told apart where they differ by more than ``SAME_LEVEL`` of the
        range; at one level the mean of all points counts.

        Args:
            then: in force when the values were made; None: the plain reading.

        Raises:
            ValueError: as found was not taken.
        """
        found = sorted(
            (p.applied, p.reading) for p in self.points if p.when == "as found"
        )
        if not found:
            raise ValueError("as found was not taken")
        applied, reading = np.array(found).T
        shown = reading if then is None else then.apply(reading)
        width = max(float(applied[-1] - applied[0]), 0.0)
        level = np.cumsum(np.diff(applied, prepend=applied[0]) > SAME_LEVEL * width)
        size = np.bincount(level)
        at = np.bincount(level, shown) / size
        error = np.bincount(level, shown - applied) / size
        rising = np.argsort(at, kind="stable")
        return FoundError(points=tuple((float(at[k]), float(error[k])) for k in rising))

    @property
    def left_alone(self) -> bool:
        """Nothing was adjusted: the points as found are those as left, too."""
        return all(point.when == "as found" for point in self.points)

    @property
    def calibration(self) -> Calibration:
        """The calibration as a rig file declares it."""
        return Calibration(
            id=self.id,
            date=self.date,
            due=self.due,
            standard=self.reference.told,
            coefficients=self.coefficients,
            terms=self.terms,
            record=self.sha256,
            range=self.range,
            reads=self.reads,
        )


def _u_at(terms: tuple[CalibrationTerm, ...], value: float) -> float:
    return math.sqrt(
        sum(
            (t.u.value_si * (value if t.kind is TermKind.GAIN else 1.0)) ** 2
            for t in terms
        )
    )


def _root_sum(terms: tuple[CalibrationTerm, ...], kind: TermKind) -> float:
    return math.sqrt(sum(t.u.value_si**2 for t in terms if t.kind is kind))
