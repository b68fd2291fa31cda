"""A run's trace for other programs, and what is kept of it as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from records.errors import InputError
from records.measure import SI_UNIT
from records.rig import Channel
from records.run import Run, channel_values
from records.tomlfile import to_jsonable

SCHEMA = "proofstand.run-exported/1"


def trace_csv(run: Run, instrument: str = "", part: int = 0) -> str:
    """Return the samples of one instrument in one part as a logger's file.

    One row per sample, calibrated, with unit and reference in the header, so that
    ``proofstand import`` takes it without a map. A sample that is not good is an empty
    cell.

    Args:
        run: with its samples.
        instrument: which; "" where the run has one.
        part: which; 0 where the run has one.

    Raises:
        InputError: ``value_wrong``: which of several is to be told.
    """
    instruments = sorted({name for _, name in run.samples})
    parts = sorted({number for number, _ in run.samples})
    chosen = _one(instrument, instruments, "--instrument")
    number = int(_one(str(part or ""), [str(p) for p in parts], "--part"))
    samples = run.samples.get((number, chosen))
    if samples is None or samples.t_ns.size == 0:
        raise InputError("journal_without_data", where=run.id)
    channels = run.header.rig.columns(chosen)
    known = next((p.origins for p in run.parts if p.number == number), {})
    origin = known.get(chosen, int(samples.t_ns[0]))
    columns = []
    for k, channel in enumerate(channels):
        values = _in_unit(channel, channel_values(channel, samples.raw[:, k]))
        good = samples.flags[:, k] == 0
        columns.append(
            [
                repr(float(v)) if ok and math.isfinite(v) else ""
                for v, ok in zip(values, good, strict=True)
            ]
        )
    head = ["time s", *(f"{channel.id} {_unit(channel)}" for channel in channels)]
    lines = [";".join(head)]
    times = (samples.t_ns - origin) * 1e-9
    for at, cells in zip(times, zip(*columns, strict=True), strict=True):
        lines.append(";".join([f"{at:.9f}", *cells]))
    return "\n".join(lines) + "\n"


def _one(given: str, known: list[str], key: str) -> str:
    if not given and len(known) == 1:
        return known[0]
    if given not in known:
        told = "nothing" if not given else ascii(given)
        right = f"one of {', '.join(known)}"
        raise InputError("value_wrong", key=key, given=told, right=right)
    return given


def _unit(channel: Channel) -> str:
    if channel.loop is None:
        return channel.unit
    low = channel.loop.low
    return f"{SI_UNIT[low.kind]} {low.reference.value}".removesuffix(" none")


def _in_unit(channel: Channel, values: Any) -> Any:
    if channel.loop is not None:
        return values
    unit = channel.measure_unit
    return (values - unit.offset) / unit.factor


def run_json(
    run: Run, found: Mapping[str, Any], judged: bytes | None
) -> dict[str, Any]:
    """Return a run without its samples as JSON.

    Args:
        run: which.
        found: what the archive says of it.
        judged: its judgement that was kept last.
    """
    header = run.header
    return {
        "schema": SCHEMA,
        **found,
        "sha256": run.sha256,
        "state": run.state.value,
        "key": run.key_id or None,
        "origin": header.origin,
        "job_card": to_jsonable(header.job),
        "plan_text": header.plan_text,
        "plan_sha256": header.plan_sha256,
        "software": to_jsonable(header.software),
        "parts": to_jsonable(run.parts),
        "marks": to_jsonable(run.marks),
        "judgement": None if judged is None else json.loads(judged)["judgements"][0],
    }
