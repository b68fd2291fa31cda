"""Start of shift: the record that gates testing, what ends it, cautions read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from .measure import Quantity

SHIFT_FORMAT = "proofstand.shift/1"
CHANGE_FORMAT = "proofstand.rig-change/1"
CAUTIONS_FORMAT = "proofstand.cautions/1"
Part = Literal["rig check", "zero", "rig-hold", "check standard"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftPart:
    """One part of the check, and the sealed run that shows it.

    Attributes:
        what: the part. passed: it was done and is good. why: in a sentence, where not.
        run, sha256: id and hash of its run; "" of the rig check, which keeps none.
        file: of the run, beside the record.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    what: Part
    passed: bool
    why: str = ""
    run: str = ""
    sha256: str = ""
    file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedChannel:
    """What the rig check gave of one channel, as it is shown to people."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    value: str
    good: str
    noise: str
    zero: str
    calibration: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundRigLeak:
    """The rig's own leak at the pressures that it was held at.

    Attributes:
        inlet, outlet: gauge, of the two sides.
        value: as found. u: its standard uncertainty.
        low, upper: ends of its two-sided 95 % interval.
        gas: that it was held with.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    inlet: Quantity
    outlet: Quantity
    value: Quantity
    u: Quantity
    low: Quantity
    upper: Quantity
    gas: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundStandard:
    """What the check standard gave.

    Attributes:
        id, kind, certificate: of the standard. finding: what was compared.
        stated, u_stated: its certificate's value and standard uncertainty.
        limit: how far the found value may lie from that.
        found, u_found, low, high: as found, with its two-sided 95 % interval.
        apart: found less stated, over the expanded uncertainty of both together.
        outcome: of the comparison with the limit, both uncertainties counted.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    id: str
    kind: str
    certificate: str
    finding: str
    stated: Quantity
    u_stated: Quantity
    limit: Quantity
    found: Quantity
    u_found: Quantity
    low: Quantity
    high: Quantity
    apart: float
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRecord:
    """One check at the start of a shift, on one station.

    Attributes:
        sha256: of the record itself, "" before it is written.
        id: of the check. rig, station: what was checked.
        rig_file_sha256: of the rig file's text.
        rig_state_sha256: of what matters in it: channels, volumes, hoses and fittings.
        utc_ns: when it was over. when: the same for people. by: who did it.
        passed: every part is good. hours: how long it holds from then.
        plans: those that its pressures were taken from.
        gate: what the rig may leak for the tightest of them, or None.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    sha256: str = ""
    id: str
    rig: str
    station: str
    rig_file_sha256: str
    rig_state_sha256: str
    utc_ns: int
    when: str
    by: str
    passed: bool
    hours: float
    plans: tuple[str, ...]
    gate: Quantity | None = None
    rig_leak: FoundRigLeak | None = None
    standard: FoundStandard | None = None
    parts: tuple[ShiftPart, ...] = ()
    channels: tuple[CheckedChannel, ...] = ()

    @property
    def until_ns(self) -> int:
        """When it is over, UTC."""
        return self.utc_ns + round(self.hours * 3600e9)


@dataclass(frozen=True, slots=True, kw_only=True)
class RigChange:
    """A person says that a hose or fitting was changed: the check is over."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    sha256: str = ""
    rig: str
    what: str
    by: str
    utc_ns: int
    when: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionsRead:
    """A person says that the cautions for this gas and pressure were read.

    Attributes:
        shift: id of the shift check that it was said in, "" where none is wanted.
        rig, station: where. gases: what there was to be careful of.
        pressure: class of the highest pressure. cautions: ids of those shown.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    sha256: str = ""
    by: str
    utc_ns: int
    when: str
    shift: str
    rig: str
    station: str
    gases: tuple[str, ...]
    pressure: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftRelied:
    """The shift check that a run relies on; kept in the run's header.

    Attributes:
        id, sha256: of the record. by, utc_ns: who passed it, and when.
        rig_leak: what it found of the rig.
    """

    id: str
    sha256: str
    by: str
    utc_ns: int
    rig_leak: FoundRigLeak | None = None
