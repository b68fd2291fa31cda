"""What is to be recalled, as people write it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from records.errors import InputError
from records.measure import Kind, Quantity, parse_quantity

from .recall import GivenError, Wanted

_HELP = "proofstand records recall -h"


def wanted_of(
    *,
    calibration: str = "",
    channel: str = "",
    reference: str = "",
    zero: str = "",
    span: str = "",
    at: Iterable[str] = (),
    since: date | None = None,
    until: date | None = None,
    simulated: bool = False,
) -> Wanted:
    """Return what is recalled; just one of the first three is given.

    Args:
        calibration: id or file of the record whose points as found were out.
        channel: as ``RIG/ID``.
        reference: id of an instrument that channels were calibrated against.
        zero: by how much it read high, as ``0.05 psi difference``.
        span: by which share it read high, as ``0.4 %``.
        at: errors at values, as ``100 psi gauge=0.4 psi difference``.
        since: last day on which it was known to be good, None where it is not known.
        until: last day that is looked at.
        simulated: runs of simulated rigs instead of real ones.

    Raises:
        InputError: ``usage``, ``value_wrong``, or what is wrong with a quantity.
    """
    error = _error(zero, span, list(at))
    if calibration and error.told:
        why = "The record says itself how far the channel was off; leave the error out."
        raise InputError("usage", why=why, help=_HELP)
    if not calibration and not error.told:
        why = "Say how far it was off: --zero, --span or --at."
        raise InputError("usage", why=why, help=_HELP)
    rig, _, own = channel.rpartition("/")
    if channel and not (rig and own):
        right = "RIG/CHANNEL, by their ids"
        raise InputError(
            "value_wrong", key="--channel", given=ascii(channel), right=right
        )
    return Wanted(
        calibration=calibration,
        rig=rig,
        channel=own,
        reference=reference,
        error=error,
        since=since,
        until=until,
        simulated=simulated,
    )


def _error(zero: str, span: str, at: list[str]) -> GivenError:
    points: list[tuple[Quantity, Quantity]] = []
    for given in at:
        value, equals, error = given.partition("=")
        if not equals:
            right = '"VALUE=ERROR", as "100 psi gauge=0.4 psi difference"'
            raise InputError("value_wrong", key="--at", given=ascii(given), right=right)
        of = parse_quantity(value.strip(), where="--at")
        if any(of.value_si == known.value_si for known, _ in points):
            right = "each value once"
            raise InputError("value_wrong", key="--at", given=ascii(given), right=right)
        points.append((of, _step(error.strip(), "--at")))
    if points and (zero or span):
        why = "Give points (--at), or zero and span."
        raise InputError("usage", why=why, help=_HELP)
    return GivenError(
        zero=_step(zero, "--zero") if zero else None,
        share=parse_quantity(span, Kind.RATIO, "--span") if span else None,
        points=tuple(points),
    )


def _step(text: str, key: str) -> Quantity:
    """Return an error as typed; one in kelvin is a step of temperature."""
    found = parse_quantity(text, where=key)
    if found.kind is Kind.TEMPERATURE:
        return parse_quantity(text, Kind.TEMPERATURE_STEP, key)
    return found
