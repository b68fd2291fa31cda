"""Calibrating a channel against a reference instrument of the shop."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence

import numpy as np

from analysis.calibration_fit import ChannelFit, figures, fit_channel
from records.calibration import (
    RECORD_FORMAT,
    Calibration,
    CalibrationPoint,
    CalibrationRecord,
    CalibrationTerm,
    Errors,
    ReferenceInstrument,
    TermKind,
)
from records.calibrationfile import check_term
from records.errors import InputError, RefusedError
from records.measure import (
    SI_UNIT,
    Kind,
    Quantity,
    Reference,
    parse_quantity,
    to_unit,
)
from records.rig import Channel, Rig
from rig.instruments.reading import (
    FAILURE_MA,
    MEASURED_MA,
    current_ma,
    measured_range,
)

from .points import Points

HIGHEST_ORDER = 4
K_95 = 2.0


def channel_of(rig: Rig, id: str) -> Channel:
    """Return a rig's channel.

    Raises:
        InputError: ``rig_channel_unknown``.
    """
    channel = rig.channel_by_id(id)
    if channel is None:
        raise InputError(
            "rig_channel_unknown",
            where=rig.id,
            rig=rig.id,
            given=id,
            known=", ".join(c.id for c in rig.channels),
        )
    return channel


def check_reference(
    reference: ReferenceInstrument | None, channel: Channel, day: datetime.date
) -> ReferenceInstrument:
    """Return the reference when it may be calibrated against on a day.

    Raises:
        RefusedError: undeclared, overdue, or not yet calibrated then.
        InputError: it measures something else than the channel.
    """
    if reference is None:
        raise RefusedError("reference_undeclared", where=channel.id)
    if not reference.date <= day <= reference.due:
        raise RefusedError(
            "reference_overdue",
            where=channel.id,
            reference=reference.told,
            due=reference.due
            if day > reference.due
            else f"{reference.due}, from {reference.date} on",
            date=day,
        )
    unit = channel.measure_unit
    low = reference.range[0]
    if low.kind is not unit.kind or low.reference is not channel.reference:
        raise InputError(
            "value_wrong",
            where=reference.id,
            key="range",
            given=low.typed,
            right=f"in a unit as {channel.unit}, which the channel reads",
        )
    return reference


def make_record(
    *,
    rig: Rig,
    channel: Channel,
    points: Points,
    reference: ReferenceInstrument,
    order: int,
    id: str,
    date: datetime.date,
    due: datetime.date,
    by: str,
) -> CalibrationRecord:
    """Return the record of a calibration.

    Args:
        rig: whose channel it is.
        channel: with the calibration that was in force.
        points: the comparisons.
        reference: see :func:`check_reference`, which comes first.
        order: of the polynomial, 1 for a straight line.
        id: number of the record.
        date: day it was made.
        due: last day on which it holds.
        by: who made it.

    Raises:
        InputError: points that make no calibration, or that the channel can't have
            measured; a wrong order or due date.
        RefusedError: ``reference_range``.
    """
    if not 1 <= order <= HIGHEST_ORDER:
        raise InputError(
            "value_wrong", key="order", given=order, right=f"1 to {HIGHEST_ORDER}"
        )
    if due < date:
        raise InputError(
            "value_wrong", key="due", given=due, right=f"not before {date}"
        )
    for term in points.terms:
        check_term(term, channel.measure_unit.kind, channel.id)
    found, left = _sets(points)
    _check_points(points, left, reference, channel, order)
    try:
        fit = fit_channel(left, order)
    except ValueError as error:
        raise InputError(
            "calibration_points_wrong", where=channel.id, why=error, least=order + 2
        ) from None
    low, high = (q.value_si for q in channel.span)
    terms = (
        *_reference_terms(reference),
        *_fit_terms(fit, left, channel),
        *points.terms,
    )
    made = Calibration(
        id=id,
        date=date,
        due=due,
        standard=reference.told,
        coefficients=fit.coefficients,
        terms=terms,
    )
    applied = [p.applied for p in left]
    return CalibrationRecord(
        format=RECORD_FORMAT,
        id=id,
        rig=rig.id,
        channel=channel.id,
        date=date,
        due=due,
        by=by,
        note=points.note,
        supersedes=channel.calibration.id if channel.calibration is not None else "",
        order=order,
        method=fit.method,
        range=(_level(min(applied), channel), _level(max(applied), channel)),
        reads=channel.reads,
        coefficients=fit.coefficients,
        terms=terms,
        figures=figures(left, fit, high - low),
        as_found=_errors(found, channel.calibration, reference) if found else None,
        as_left=_errors(left, made, None),
        reference=reference,
        points=points.points,
    )


def _sets(
    points: Points,
) -> tuple[list[CalibrationPoint], list[CalibrationPoint]]:
    """Return the points as found, none where none were taken, and those as left.

    Where only those as found were taken and nothing was adjusted, they are both.
    """
    found = [p for p in points.points if p.when == "as found"]
    left = [p for p in points.points if p.when == "as left"]
    return found, left if left or points.adjusted else found


def _check_points(
    points: Points,
    left: Sequence[CalibrationPoint],
    reference: ReferenceInstrument,
    channel: Channel,
    order: int,
) -> None:
    places = points.places or [channel.id] * len(points.points)
    why, where = "", channel.id
    for point, place in zip(points.points, places, strict=True):
        if not math.isfinite(point.applied + point.reading):
            why, where = "a value is no number", place
            break
        check_applied(point.applied, reference, channel, place)
        _check_measured(point, channel, place)
    if not points.points:
        why = "there are none"
    elif not left:
        why = "none was read after the adjustment"
    elif not why and {p.direction for p in left} != {"up", "down"}:
        why = "they don't go up and down again"
    if why:
        raise InputError(
            "calibration_points_wrong", where=where, why=why, least=order + 2
        )


def check_applied(
    applied: float, reference: ReferenceInstrument, channel: Channel, where: str
) -> None:
    """Refuse a value (SI) that the reference's certificate does not cover.

    Raises:
        RefusedError: ``reference_range``.
    """
    low, high = reference.range
    # a hair beyond the end is the rounding of a unit, not another range
    hair = 1e-6 * (high.value_si - low.value_si)
    if not low.value_si - hair <= applied <= high.value_si + hair:
        raise RefusedError(
            "reference_range",
            where=where,
            reference=reference.told,
            low=low.typed,
            high=high.typed,
            given=_level(applied, channel).typed,
        )


def _check_measured(point: CalibrationPoint, channel: Channel, where: str) -> None:
    low, high = measured_range(channel)
    if low <= point.reading <= high:
        return
    span = f"its span, {channel.span[0].typed} to {channel.span[1].typed}"
    why = f"beyond {span}, and the 1.25 % below or 3.125 % above that is let pass"
    takes, loop = channel.unit, channel.loop
    if loop is not None:
        takes = "mA"
        current = float(current_ma(loop, np.array(point.reading)))
        told = f"{current:.4g} mA in its loop"
        if not FAILURE_MA[0] < current < FAILURE_MA[1]:
            why = (
                f"{told}, a failure by NAMUR NE 43 (up to {FAILURE_MA[0]:g} mA, from "
                f"{FAILURE_MA[1]:g} mA on); {span}"
            )
        elif not MEASURED_MA[0] <= current <= MEASURED_MA[1]:
            why = (
                f"{told}, no measurement by NAMUR NE 43 ({MEASURED_MA[0]:g} to "
                f"{MEASURED_MA[1]:g} mA is); {span}"
            )
    sign = "-" if channel.offset < 0.0 else "+"
    raise InputError(
        "calibration_point_outside",
        where=where,
        applied=_level(point.applied, channel).typed,
        given=f"{to_unit(point.reading, channel.measure_unit):.6g} {channel.unit}",
        why=why,
        takes=f"raw × {channel.scale:g} {sign} {abs(channel.offset):g} = {takes}",
    )


def _reference_terms(reference: ReferenceInstrument) -> list[CalibrationTerm]:
    return [
        CalibrationTerm(
            name=f"reference {reference.id}: {t.name}", kind=t.kind, u=t.u, dof=t.dof
        )
        for t in reference.terms
    ]


def _fit_terms(
    fit: ChannelFit, points: Sequence[CalibrationPoint], channel: Channel
) -> list[CalibrationTerm]:
    """Return the uncertainty that the points themselves show."""
    kind, dof = channel.measure_unit.kind, float(fit.dof)
    readings = np.array([p.reading for p in points])
    offset, gain = fit.split(readings)
    return [
        CalibrationTerm(
            name="fit, offset",
            kind=TermKind.OFFSET,
            u=_uncertainty(offset, kind),
            dof=dof,
        ),
        CalibrationTerm(
            name="fit, slope",
            kind=TermKind.GAIN,
            u=parse_quantity(f"{gain * 100.0:.6g} %"),
            dof=dof,
        ),
        CalibrationTerm(
            name="non-linearity, hysteresis, repeatability",
            kind=TermKind.LINEARITY,
            u=_uncertainty(fit.u_reading, kind),
            dof=dof,
        ),
    ]


def _uncertainty(value: float, kind: Kind) -> Quantity:
    if kind is Kind.TEMPERATURE:
        return parse_quantity(f"{value:.6g} K", Kind.TEMPERATURE_STEP)
    word = " difference" if kind is Kind.PRESSURE else ""
    return parse_quantity(f"{value:.6g} {SI_UNIT[kind]}{word}")


def _level(value: float, channel: Channel) -> Quantity:
    unit = channel.measure_unit
    typed = (value - unit.offset) / unit.factor
    word = "" if channel.reference is Reference.NONE else f" {channel.reference.value}"
    return parse_quantity(f"{typed:.9g} {unit.name}{word}")


def _errors(
    points: Sequence[CalibrationPoint],
    record: Calibration | None,
    reference: ReferenceInstrument | None,
) -> Errors:
    """Return the largest error of values by a calibration, and what it claimed there.

    Args:
        points: compared.
        record: the calibration; None: the plain reading, which claimed nothing.
        reference: whose own uncertainty is not in the record's, or None.
    """
    errors = []
    for point in points:
        reading = np.array(point.reading)
        value = float(reading if record is None else record.apply(reading))
        claimed = math.inf if record is None else K_95 * record.u_at(value)
        if reference is not None:
            claimed = math.hypot(claimed, K_95 * reference.u_at(point.applied))
        errors.append((value - point.applied, point.applied, claimed))
    # the one that is furthest beyond its claim, by size where none is
    worst = max(errors, key=lambda e: (abs(e[0]) > e[2], abs(e[0])))
    allowed = None if math.isinf(worst[2]) else worst[2]
    return Errors(largest=worst[0], at=worst[1], allowed=allowed)
