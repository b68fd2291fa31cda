"""People of the shop: what each role may do, which gases they may work on.

Two lists tell of people. A file of names and gases for the job card's rule
(``proofstand.people/1``) holds no keys and proves nobody. The shop's own list, a
*roll*, has roles and PINs; it is a fold of the events that are on its record, see
``proofstand/signoff/roll``.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Any, ClassVar

from .gas.names import gas_named

FORMAT = "proofstand.people/1"
ANY_GAS = "any"


class Role(StrEnum):
    """What somebody is in the shop."""

    TECHNICIAN = "technician"
    SIGNATORY = "signatory"
    QUALITY_LEAD = "quality-lead"
    TRAINER = "trainer"


class Act(StrEnum):
    """What a role may be asked for."""

    TEST = "test and rebuild"
    COMMENT = "add a remark to a run"
    CERTIFY = "issue certificates and reports"
    REJECT = "reject a run"
    COPY = "copy a certificate"
    NOTICE = "put a notice beside a certificate"
    COUNTERSIGN = "countersign"
    APPROVE_PLAN = "approve a plan"
    CONCEDE = "grant a concession"
    CONFIRM = "confirm a second judgement"
    REJUDGE = "keep a new judgement"
    RECALL = "recall a calibration"
    PEOPLE = "change the list of people"
    KEYS = "change the shop's key"


# The one table of what each may do; docs/people.md shows it.
MAY: Mapping[Role, frozenset[Act]] = MappingProxyType(
    {
        Role.TECHNICIAN: frozenset({Act.TEST, Act.COMMENT}),
        Role.SIGNATORY: frozenset(
            {
                *(Act.CERTIFY, Act.COMMENT, Act.REJECT),
                *(Act.COPY, Act.NOTICE, Act.REJUDGE),
            }
        ),
        Role.QUALITY_LEAD: frozenset(Act),
        Role.TRAINER: frozenset(),  # drills are no records
    }
)


class Proof(StrEnum):
    """How it was shown who somebody is."""

    TYPED = "typed"
    PIN = "PIN"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatory:
    """Who did something that stands on a record, and how that was shown.

    Attributes:
        name: as on the roll, or as typed; "" where nobody was named.
        role: by which it was allowed; "" where no roll says.
        roll: id of the roll, "" without one.
    """

    name: str
    role: str = ""
    proof: Proof = Proof.TYPED
    roll: str = ""


NOBODY = Signatory(name="")


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A person on the shop's roll.

    Attributes:
        since_ns, retired_ns: UTC; None while active.
        pin: digest of the file that checks the PIN.
        wrong: tries in a row that were not shown to be right. tried_ns: the last one.
    """

    name: str
    roles: tuple[Role, ...]
    gases: tuple[str, ...]
    since_ns: int
    retired_ns: int | None = None
    pin: str = ""
    wrong: int = 0
    tried_ns: int = 0

    @property
    def active(self) -> bool:
        """Whether they still belong to the shop."""
        return self.retired_ns is None

    def role_for(self, act: Act) -> Role | None:
        """Return the role that lets them do something, the humblest first, or None."""
        return next((r for r in Role if r in self.roles and act in MAY[r]), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """The shop's list of people as it stands.

    Attributes:
        id: digest of the first event. begun_ns: when that was, UTC.
        members: by the name's key, in the order in which they came.
    """

    id: str
    begun_ns: int
    members: Mapping[str, Member] = field(default_factory=dict)

    def member(self, name: str) -> Member | None:
        """Return the person of that name, retired or not, or None."""
        return self.members.get(name_key(name))

    @property
    def leads(self) -> tuple[Member, ...]:
        """The active quality leads."""
        return tuple(
            m
            for m in self.members.values()
            if m.active and Role.QUALITY_LEAD in m.roles
        )

    @property
    def people(self) -> People:
        """Who may test and rebuild, and on which gases, for the job card's rule."""
        return People(
            format=FORMAT,
            people=tuple(
                Person(name=m.name, gases=m.gases)
                for m in self.members.values()
                if m.active and m.role_for(Act.TEST) is not None
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person and the gases that the shop lets them work on; ``any`` for all."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    name: str
    gases: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """A list of who may work on which gas."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str
    people: tuple[Person, ...] = ()

    def may(self, name: str, gas: str) -> bool:
        """Tell whether the list lets a person work on a gas."""
        wanted = name_key(name)
        for person in self.people:
            if name_key(person.name) == wanted:
                gases = {gas_named(each) for each in person.gases}
                if ANY_GAS in gases or gas_named(gas) in gases:
                    return True
        return False


# Letters of other alphabets that look like these; a small part of the table of
# confusables of Unicode Technical Standard 39.
_ALIKE = str.maketrans(
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0456\u0458\u0455\u0501\u04bb\u04cf"
    "\u0432\u043d\u043a\u043c\u0442\u03b1\u03bf\u03c1\u03bd\u03b9\u03ba\u03c4\u03c5\u03c7"
    "\u03b2\u03b5\u03b7\u03bc\u03b6\u0131",
    "aeopcyxijsdhlbhkmtaopviktyxbehmzi",
)


def looks_of(name: str) -> str:
    """Return a name as it looks: two that look the same are one on paper."""
    return name_key(name).translate(_ALIKE)


def name_key(name: str) -> str:
    """Return what a name is compared by: case, width and blanks don't count."""
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()
