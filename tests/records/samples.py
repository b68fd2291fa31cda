"""A small run for tests of journals and run files."""

from __future__ import annotations

import numpy as np

from records.jobcard import FORMAT as JOB_FORMAT
from records.jobcard import JobCard, Regulator
from records.measure import parse_quantity
from records.planfile import builtin_plan
from records.rig import FORMAT, Channel, Instrument, Rig, Station
from records.run import Mark, MarkKind, Part, RunHeader, Software
from records.tomlfile import text_sha256
from records.trace import Block


def small_rig() -> Rig:
    q = parse_quantity
    return Rig(
        format=FORMAT,
        id="t",
        simulated=True,
        stations=(Station(id="A"),),
        instruments=(
            Instrument(
                id="one", protocol="log", period=q("50 ms"), timeout=q("500 ms")
            ),
        ),
        channels=tuple(
            Channel(
                id=role,
                role=role,
                station="A",
                instrument="one",
                unit="kPa gauge",
                span=(q("-1 kPa gauge"), q("200 kPa gauge")),
                resolution=q("1 Pa difference"),
            )
            for role in ("outlet", "inlet")
        ),
    )


def header(run_id: str = "run-1") -> RunHeader:
    plan, text = builtin_plan("low-pressure")
    job = JobCard(
        format=JOB_FORMAT,
        id="J-1",
        regulator=Regulator(
            serial='K-1 ü / "x"', model="M", family="second-stage", gas="propane"
        ),
    )
    return RunHeader(
        id=run_id,
        started_utc_ns=1_000,
        origin="record",
        job=job,
        plan=plan,
        plan_text=text,
        plan_sha256=text_sha256(text),
        rig=small_rig(),
        software=Software(version="0", analysis_version=1),
    )


def block(start: int, n: int = 2) -> Block:
    t = (np.arange(start, start + n) * 50_000_000).astype(np.int64)
    raw = np.stack([np.arange(start, start + n) * 0.5, np.full(n, 69.0)], axis=1)
    flags = np.zeros((n, 2), dtype=np.uint8)
    return Block(1, "one", t, raw, flags)


def part() -> Part:
    return Part(number=1, utc_ns=5, host_ns=7, origins={"one": 0})


def mark(t_s: float, kind: MarkKind = MarkKind.NOTE, **data: str) -> Mark:
    return Mark(part=1, t_s=t_s, kind=kind, step="zero", data=data)
