"""Calibration of a channel: what was found, when, and how well; and how it is applied.

A calibration turns a reading (SI, from the register's scale) into a value by a
polynomial, and says how far that value may be wrong. Terms of uncertainty are kept
apart by how they act when two readings of one channel are subtracted:

``offset``     common to all readings of the channel; cancels in a difference
``gain``       relative to the value; acts on a difference in proportion
``linearity``  differs from level to level; does not cancel
"""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar

import numpy as np

from .measure import Quantity
from .trace import FloatArray


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
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    date: datetime.date
    due: datetime.date
    standard: str
    coefficients: tuple[float, ...] = (0.0, 1.0)
    terms: tuple[CalibrationTerm, ...] = ()

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
        ]
        text = json.dumps(content, ensure_ascii=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    def apply(self, reading: FloatArray) -> FloatArray:
        """Return values for readings, SI, any shape."""
        return np.asarray(
            np.polynomial.polynomial.polyval(reading, np.asarray(self.coefficients))
        )

    def u_offset(self) -> float:
        """Standard uncertainty of the zero, SI."""
        return _root_sum(self.terms, TermKind.OFFSET)

    def u_gain(self) -> float:
        """Relative standard uncertainty of the span, 1."""
        return _root_sum(self.terms, TermKind.GAIN)

    def u_linearity(self) -> float:
        """Standard uncertainty of the form of the curve, SI."""
        return _root_sum(self.terms, TermKind.LINEARITY)


def _root_sum(terms: tuple[CalibrationTerm, ...], kind: TermKind) -> float:
    return math.sqrt(sum(t.u.value_si**2 for t in terms if t.kind is kind))
