"""People: who may do what, and how somebody shows who they are.

The front door for whoever needs a name that counts. Until a roll is begun names are
taken as typed and said to be so; from then on each act that stands on a record needs a
name on the roll, a role that may, and the PIN.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from records.errors import InputError, RefusedError
from records.materials import gas_named
from records.people import (
    MAY,
    Act,
    Member,
    Proof,
    Role,
    Roll,
    Signatory,
    looks_of,
    name_key,
)

from . import roll
from .pins import fits, kept, refuse_weak
from .roll import Clock, Record, Writer

MOST_NAME = 96
# Wrong tries in a row: free, then a wait that doubles, then only another lead helps.
# The last is the limit of NIST SP 800-63B, 5.2.2.
FREE_TRIES = 3
FIRST_WAIT_S, LONGEST_WAIT_S = 30, 3600
MOST_TRIES = 100

AskPin = Callable[[str], str]
"""Returns the PIN of the person named."""


def no_pin(name: str) -> str:
    """Stand in where nobody can be asked.

    Raises:
        RefusedError: ``pin_wanted``.
    """
    raise RefusedError("pin_wanted", name=name)


def the_roll() -> Roll | None:
    """Return the shop's roll, or None where none was begun.

    Raises:
        InputError, IntegrityError: see :func:`roll.read`.
    """
    record = roll.read()
    return None if record is None else record.roll


def prove(
    name: str,
    act: Act,
    ask: AskPin,
    *,
    utc_ns: Clock = time.time_ns,
) -> Signatory:
    """Return who wants to do something, once it is shown that they are and may.

    Args:
        name: as typed.
        act: what they want to do.
        ask: asks for their PIN.
        utc_ns: the clock.

    Raises:
        RefusedError: ``person_wanted``, ``person_unknown``, ``person_retired``,
            ``role_wanted``, ``pin_wanted``, ``pin_wrong``, ``pin_locked``,
            ``pin_locked_for_good``.
        InputError, IntegrityError: the record can't be used.
    """
    record = roll.read()
    if record is None:
        return Signatory(name=" ".join(name.split()))
    member = member_for(record.roll, name, act)
    _refuse_locked(member, utc_ns())
    pin = ask(member.name)
    with roll.writing(utc_ns) as writer:
        _check_pin(writer, member.name, pin, act)
        assert writer.record is not None
        now = writer.record.roll
        # what changed while the PIN was typed counts
        return _signatory(now, member_for(now, name, act), act)


def _signatory(of: Roll, member: Member, act: Act) -> Signatory:
    role = member.role_for(act)
    assert role is not None
    return Signatory(name=member.name, role=role.value, proof=Proof.PIN, roll=of.id)


def member_for(of: Roll, name: str, act: Act) -> Member:
    """Return the person on a roll who may do something.

    Raises:
        RefusedError: ``person_wanted``, ``person_unknown``, ``person_retired``,
            ``role_wanted``.
    """
    if not name.strip():
        raise RefusedError("person_wanted", act=act.value)
    member = of.member(name)
    if member is None:
        raise RefusedError("person_unknown", name=name)
    if member.retired_ns is not None:
        raise RefusedError(
            "person_retired", name=member.name, day=moment(member.retired_ns)[:10]
        )
    if member.role_for(act) is None:
        raise RefusedError(
            "role_wanted",
            name=member.name,
            roles=" and ".join(member.roles),
            act=act.value,
            wanted=" or ".join(r for r in Role if act in MAY[r]),
        )
    return member


def _check_pin(writer: Writer, name: str, pin: str, act: Act) -> None:
    """Check a PIN; the try is on record before its answer is known.

    So nobody gets an answer for nothing by stopping the program in between.
    """
    assert writer.record is not None
    member = writer.record.roll.member(name)
    assert member is not None
    _refuse_locked(member, writer.now())
    data = roll.pin_kept(member.pin)
    writer.add(roll.TRY, member.name, member.name, act=act.value)
    try:
        right = fits(pin, data)
    except ValueError:
        raise roll.changed_pin(member.pin, "is no PIN") from None
    if right:
        writer.add(roll.RIGHT, member.name, member.name, act=act.value)
        return
    now = writer.record.roll.member(name)
    assert now is not None
    _refuse_locked(now, writer.now())
    raise RefusedError("pin_wrong", name=now.name, left=FREE_TRIES - now.wrong)


def _refuse_locked(member: Member, now_ns: int) -> None:
    if member.wrong >= MOST_TRIES:
        raise RefusedError("pin_locked_for_good", name=member.name, tries=member.wrong)
    until = locked_until_ns(member)
    if now_ns < until:
        raise RefusedError(
            "pin_locked", name=member.name, tries=member.wrong, until=moment(until)
        )


def locked_until_ns(member: Member) -> int:
    """Return until when no PIN of somebody is looked at, UTC; 0 for not at all."""
    if member.wrong < FREE_TRIES:
        return 0
    wait_s = FIRST_WAIT_S << min(member.wrong - FREE_TRIES, 30)
    return member.tried_ns + min(wait_s, LONGEST_WAIT_S) * 10**9


def moment(utc_ns: int) -> str:
    """Return a time as it is told: UTC, ISO 8601."""
    return f"{datetime.fromtimestamp(utc_ns // 10**9, tz=UTC):%Y-%m-%dT%H:%M:%SZ}"


def did(
    who: Signatory, act: Act, *, utc_ns: Clock = time.time_ns, **facts: str
) -> None:
    """Put on record what somebody did; nothing is kept where there is no roll.

    Raises:
        InputError, IntegrityError: the record can't be used.
    """
    if who.proof is Proof.PIN:
        with roll.writing(utc_ns) as writer:
            writer.add(roll.DID, who.name, who.name, did=act.value, **facts)


def done(act: Act, **facts: str) -> tuple[roll.Event, ...]:
    """Return what is on record of an act with these facts.

    Raises:
        InputError, IntegrityError: the record can't be used.
    """
    record = roll.read()
    if record is None:
        return ()
    wanted = {"did": act.value, **facts}
    return tuple(
        event
        for event in record.events
        if event.act == roll.DID and wanted.items() <= event.facts.items()
    )


# --- the list itself ------------------------------------------------------------------


def begin(
    name: str,
    roles: Sequence[Role],
    gases: Sequence[str],
    pin: str,
    *,
    utc_ns: Clock = time.time_ns,
) -> Member:
    """Begin the roll with its first person, a quality lead.

    Raises:
        RefusedError: ``roll_begun``, ``lead_first``.
        InputError: a name, a gas or the PIN won't do; it can't be written.
    """
    name = _name(name)
    if Role.QUALITY_LEAD not in roles:
        raise RefusedError("lead_first", name=name)
    refuse_weak(pin, name)
    facts = {"roles": roll.listed(roles), "gases": _gases(gases)}
    with roll.writing(utc_ns) as writer:
        if writer.record is not None:
            raise RefusedError("roll_begun", name=name)
        digest = roll.keep_pin(kept(pin))
        writer.add(roll.BEGIN, name, name, **facts, pin=digest)
        return _now(writer, name)


def add(
    by: str,
    ask: AskPin,
    name: str,
    roles: Sequence[Role],
    gases: Sequence[str],
    pin: str,
    *,
    utc_ns: Clock = time.time_ns,
) -> Member:
    """Add somebody, by a lead.

    Raises:
        RefusedError: see :func:`prove`; ``person_there_already``,
            ``person_looks_alike``.
        InputError: a name, a gas or the PIN won't do; it can't be written.
    """
    name = _name(name)
    refuse_weak(pin, name)
    facts = {"roles": roll.listed(roles), "gases": _gases(gases)}
    _refuse_known(the_roll(), name)
    lead = prove(by, Act.PEOPLE, ask, utc_ns=utc_ns)
    with roll.writing(utc_ns) as writer:
        _refuse_known(None if writer.record is None else writer.record.roll, name)
        digest = roll.keep_pin(kept(pin))
        writer.add(roll.ADD, name, lead.name, **facts, pin=digest)
        return _now(writer, name)


def change(
    by: str,
    ask: AskPin,
    name: str,
    *,
    roles: Sequence[Role] | None = None,
    gases: Sequence[str] | None = None,
    utc_ns: Clock = time.time_ns,
) -> Member:
    """Give somebody other roles or gases, by a lead.

    Raises:
        RefusedError: see :func:`prove`; ``last_lead``.
        InputError: a gas won't do; it can't be written.
    """
    told = "" if gases is None else _gases(gases)
    lead = prove(by, Act.PEOPLE, ask, utc_ns=utc_ns)
    with roll.writing(utc_ns) as writer:
        member = _member(writer.record, name)
        if roles is not None:
            if Role.QUALITY_LEAD not in roles:
                _refuse_last_lead(writer, member)
            writer.add(roll.ROLES, member.name, lead.name, roles=roll.listed(roles))
        if gases is not None:
            writer.add(roll.GASES, member.name, lead.name, gases=told)
        return _now(writer, name)


def retire(
    by: str, ask: AskPin, name: str, why: str, *, utc_ns: Clock = time.time_ns
) -> Member:
    """Retire somebody, by a lead; what they did stays, and so does the name.

    Raises:
        RefusedError: see :func:`prove`; ``last_lead``.
        InputError: it can't be written.
    """
    lead = prove(by, Act.PEOPLE, ask, utc_ns=utc_ns)
    with roll.writing(utc_ns) as writer:
        member = _member(writer.record, name)
        _refuse_last_lead(writer, member)
        writer.add(roll.RETIRE, member.name, lead.name, why=why)
        roll.forget_pin(member.pin)
        return _now(writer, name)


def change_pin(
    name: str, ask: AskPin, pin: str, *, utc_ns: Clock = time.time_ns
) -> Member:
    """Give oneself another PIN, by the one that counts now.

    Raises:
        RefusedError: see :func:`prove`. InputError: ``pin_weak``.
    """
    with roll.writing(utc_ns) as writer:
        member = _member(writer.record, name)
        refuse_weak(pin, member.name)
        _refuse_locked(member, writer.now())
    old = ask(member.name)
    with roll.writing(utc_ns) as writer:
        member = _member(writer.record, name)
        _check_pin(writer, member.name, old, Act.PEOPLE)
        return _new_pin(writer, roll.PIN, member, member.name, pin)


def reset_pin(
    by: str, ask: AskPin, name: str, pin: str, *, utc_ns: Clock = time.time_ns
) -> Member:
    """Give somebody another PIN and end a lock, by another lead.

    Raises:
        RefusedError: see :func:`prove`; ``pin_reset_own``. InputError: ``pin_weak``.
    """
    if name_key(by) == name_key(name):
        raise RefusedError("pin_reset_own", name=name)
    refuse_weak(pin, name)
    lead = prove(by, Act.PEOPLE, ask, utc_ns=utc_ns)
    with roll.writing(utc_ns) as writer:
        member = _member(writer.record, name)
        return _new_pin(writer, roll.RESET, member, lead.name, pin)


def _new_pin(writer: Writer, act: str, member: Member, by: str, pin: str) -> Member:
    digest = roll.keep_pin(kept(pin))
    writer.add(act, member.name, by, pin=digest)
    roll.forget_pin(member.pin)
    return _now(writer, member.name)


def _member(record: Record | None, name: str) -> Member:
    """Return an active person of the roll.

    Raises:
        RefusedError: ``roll_not_begun``, ``person_unknown``, ``person_retired``.
    """
    if record is None:
        raise RefusedError("roll_not_begun")
    member = record.roll.member(name)
    if member is None:
        raise RefusedError("person_unknown", name=name)
    if member.retired_ns is not None:
        raise RefusedError(
            "person_retired", name=member.name, day=moment(member.retired_ns)[:10]
        )
    return member


def _now(writer: Writer, name: str) -> Member:
    """Return how somebody stands after what was written."""
    assert writer.record is not None
    return writer.record.roll.members[name_key(name)]


def _refuse_known(of: Roll | None, name: str) -> None:
    if of is None:
        raise RefusedError("roll_not_begun")
    if of.member(name) is not None:
        raise RefusedError("person_there_already", name=name)
    for member in of.members.values():
        if looks_of(member.name) == looks_of(name):
            raise RefusedError("person_looks_alike", name=name, known=member.name)


def _refuse_last_lead(writer: Writer, member: Member) -> None:
    assert writer.record is not None
    if [lead.name for lead in writer.record.roll.leads] == [member.name]:
        raise RefusedError("last_lead", name=member.name)


def _name(text: str) -> str:
    """Return a name as it is kept.

    Raises:
        InputError: ``value_wrong``.
    """
    name = " ".join(text.split())
    if not name_key(name) or len(name) > MOST_NAME or not text.isprintable():
        right = f"a name in one line of at most {MOST_NAME} characters"
        raise InputError(
            "value_wrong", key="NAME", given=ascii(text[:MOST_NAME]), right=right
        )
    return name


def _gases(gases: Sequence[str]) -> str:
    """Return gases as an event holds them.

    Raises:
        InputError: ``value_wrong``.
    """
    for gas in gases:
        if not gas.strip() or "," in gas or not gas.isprintable():
            raise InputError(
                "value_wrong", key="--gas", given=ascii(gas), right="one gas, or any"
            )
    return roll.listed([gas_named(gas) for gas in gases])
