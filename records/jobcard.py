"""The job card: which regulator, from whom, what was seen, done and decided."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

from .gas.names import is_oxidiser
from .inspection import Inspection
from .measure import Quantity
from .people import name_key
from .rebuild import Rebuild

FORMAT = "proofstand.job/1"
InletActs = Literal["opening", "closing", "balanced"]
Relief = Literal["internal", "external", "none fitted"]
# Which way the inlet's pressure pushes the seat, by family; a card may say otherwise.
# Common practice, no source. A second stage behind a first one hardly sees the inlet.
INLET_ACTS: dict[str, InletActs] = {
    "second-stage": "opening",
    "first-stage": "opening",
    "line": "opening",
    "service": "opening",
    "cylinder-1": "closing",
    "cylinder-2": "balanced",
    "oxygen": "closing",
}

FAMILIES = tuple(INLET_ACTS)  # whose rules are known; a card may name another
TWO_STAGES = ("cylinder-2",)  # families with both in one body


@dataclass(frozen=True, slots=True, kw_only=True)
class Nameplate:
    """What is stamped on the regulator; pressures gauge.

    Attributes:
        inlet_max: most at its inlet.
        outlet_min, outlet_max: from where to where it may be set.
        outlet_rating: most that its outlet side may see, as from a relief on test;
            None: as ``outlet_max``.
        relief: whether a relief is fitted, and where; None: nothing says.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    inlet_max: Quantity | None = None
    outlet_min: Quantity | None = None
    outlet_max: Quantity | None = None
    outlet_rating: Quantity | None = None
    relief: Relief | None = None

    @property
    def has_relief(self) -> bool:
        """A relief is fitted, as far as anything says."""
        return self.relief != "none fitted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """The regulator under test, as stamped.

    Attributes:
        inlet_acts: which way the inlet's pressure pushes the seat; None: as most of
            its family, see ``INLET_ACTS``.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    serial: str
    model: str
    family: str
    gas: str
    nameplate: Nameplate = Nameplate()
    inlet_acts: InletActs | None = None

    @property
    def oxidising(self) -> bool:
        """It is of oxygen or nitrous oxide, by its gas or by its family."""
        return is_oxidiser(self.gas) or is_oxidiser(self.family)

    @property
    def pushed(self) -> InletActs | None:
        """Which way the inlet's pressure pushes the seat, None where nothing says."""
        return self.inlet_acts or INLET_ACTS.get(self.family)


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """How it came in.

    Attributes:
        stated_by, stated_on: who gave the sender's statement that ``purged`` stands
            for, and when.
        serial_unreadable: it can't be read; the shop's number stands in for it.
        date_code: as stamped. made: the first day that it may stand for.
        rebuilds: earlier ones, as far as known.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    sender: str = ""
    reason: str = ""
    received: datetime.date | None = None
    by: str = ""
    stated_by: str = ""
    stated_on: datetime.date | None = None
    serial_unreadable: bool = False
    shop_number: str = ""
    date_code: str = ""
    made: datetime.date | None = None
    rebuilds: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFound:
    """The test as received, before any work: its run, or why there was none."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    done: bool = False
    run: str = ""
    skipped: str = ""


Ending = Literal[
    "returned to service", "rework", "on hold", "returned unrepaired", "scrapped"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Disposition:
    """What became of it; of several the last one counts, none is taken away.

    Attributes:
        how: of one that was scrapped, how it was made unusable.
        adjuster_seal: number of the seal on the adjuster. bag_seal: of the bag that an
            oxygen regulator leaves in, capped.
        serial: of a batch, the regulator that it is of; "" for all of them.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    ending: Ending
    by: str = ""
    date: datetime.date | None = None
    how: str = ""
    adjuster_seal: str = ""
    bag_seal: str = ""
    note: str = ""
    serial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobCard:
    """One job: regulator, sender's statement, test gas, person, set pressure asked.

    Attributes:
        serials: of a batch, all regulators on this card; ``regulator`` says what they
            have in common, and its serial is one of them.
        test_gas_reason: why the test gas is not an inert one.
        set_pressure: asked for by the customer; used where a plan says ``"job"``.
        last_service: gas of its last service, and where that was.
        purged: the sender states that it was purged and is neither toxic nor corrosive.
        disposition: what became of it, in order.
        upstream_card: file of the card of the regulator before this one, its first
            stage, where both are tested as a pair; beside this card's own file.
        upstream: that card, as read from its file.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    id: str
    regulator: Regulator
    serials: tuple[str, ...] = ()
    test_gas: str = "nitrogen"
    test_gas_reason: str = ""
    last_service: str = ""
    purged: bool = False
    set_pressure: Quantity | None = None
    mounting: str = ""
    technician: str = ""
    notes: str = ""
    intake: Intake | None = None
    inspection: Inspection | None = None
    as_found: AsFound | None = None
    rebuild: Rebuild | None = None
    disposition: tuple[Disposition, ...] = ()
    upstream_card: str = ""
    upstream: JobCard | None = None

    @property
    def cards(self) -> tuple[JobCard, ...]:
        """The cards of all regulators that are tested together, upstream first."""
        return (self,) if self.upstream is None else (self.upstream, self)

    @property
    def two_stages(self) -> bool:
        """Two stages are tested at once, in one body or as a pair."""
        return self.upstream is not None or self.regulator.family in TWO_STAGES

    @property
    def known_serials(self) -> tuple[str, ...]:
        """The regulators on this card, by what is stamped on them or tagged."""
        shop = self.intake.shop_number if self.intake else ""
        if not self.serials and self.intake and self.intake.serial_unreadable and shop:
            return (shop,)
        return self.serials or (self.regulator.serial,)

    def label(self, serial: str) -> str:
        """Return the text of the code on a regulator's job label."""
        return f"{self.id}/{serial}"

    def serial_of(self, scanned: str) -> str | None:
        """Return the serial that a scanned label is of, or None for another job's.

        Case, width and blanks don't count, but where two serials differ by no more.
        """
        text = scanned.strip()
        for serial in self.known_serials:
            if text in (serial, self.label(serial)):
                return serial
        key = name_key(text)
        folded = [
            serial
            for serial in self.known_serials
            if key in (name_key(serial), name_key(self.label(serial)))
        ]
        return folded[0] if len(folded) == 1 else None

    def of_serial(self, serial: str) -> JobCard:
        """Return the card of one of a batch: what is said of it, or of all."""

        def mine(told: str) -> bool:
            return told in ("", serial)

        inspection, rebuild = self.inspection, self.rebuild
        if inspection is not None:
            points = tuple(p for p in inspection.points if mine(p.serial))
            inspection = replace(inspection, points=points)
        if rebuild is not None:
            rebuild = replace(
                rebuild,
                parts=tuple(p for p in rebuild.parts if mine(p.serial)),
                torques=tuple(t for t in rebuild.torques if mine(t.serial)),
            )
        return replace(
            self,
            regulator=replace(self.regulator, serial=serial),
            inspection=inspection,
            rebuild=rebuild,
            disposition=tuple(d for d in self.disposition if mine(d.serial)),
        )
