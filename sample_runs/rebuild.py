"""Rebuild the sample runs, or check them: `python sample_runs/rebuild.py [--check]`.

Each is a simulated test of the invented Larkmere Valve Works, the same for the same
seed. What they give when judged stands in `expected.json`, beside what was true of the
gas. Exit code 0; 1 where a check finds a difference; 2 on a wrong word.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.judge import judge
from proofstand.simulated import simulate
from records.runfile import open_run

HERE = Path(__file__).resolve().parent
EXPECTED = HERE / "expected.json"
SCHEMA = "proofstand.sample-runs/1"
NEAR = 1e-3  # of a standard uncertainty: another computer may round otherwise
NEAR_TRUE = 1e-6  # of the true value


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample run.

    Attributes:
        name: of its file. family, plan, seed, faults: as ``simulate`` takes them.
        about: what there is to see, in plain words.
    """

    name: str
    family: str
    plan: str
    seed: int
    faults: tuple[str, ...]
    about: str

    @property
    def file(self) -> Path:
        """Where it lies."""
        return HERE / f"{self.name}.h5"


SAMPLES = (
    Sample(
        "second-stage-good",
        "second-stage",
        "low-pressure",
        1,
        (),
        "A good second stage for propane: locks up, does not creep, is tight.",
    ),
    Sample(
        "second-stage-seat-nicked",
        "second-stage",
        "low-pressure",
        2,
        ("seat_nicked:0.6",),
        "A nicked seat: after each lockup the outlet goes on rising.",
    ),
    Sample(
        "second-stage-pinhole",
        "second-stage",
        "low-pressure",
        3,
        ("diaphragm_pinhole:0.5",),
        "A pinhole in the diaphragm: with the inlet isolated the trapped gas goes.",
    ),
    Sample(
        "second-stage-stem-sticks",
        "second-stage",
        "low-pressure",
        4,
        ("stem_friction",),
        "A dry O-ring on the stem: it locks up late and high, never twice alike.",
    ),
    Sample(
        "cylinder-good",
        "cylinder-1",
        "cylinder",
        11,
        (),
        "A good cylinder regulator: its body cools in the flow, and the outlet climbs "
        "a little as it warms again, which is no creep.",
    ),
    Sample(
        "cylinder-seat-nicked",
        "cylinder-1",
        "cylinder",
        2,
        ("seat_nicked:0.5",),
        "A nicked seat behind 150 bar: lockups pass, the long hold does not.",
    ),
    Sample(
        "oxygen-good",
        "oxygen",
        "oxygen",
        11,
        (),
        "A good oxygen regulator, tested in nitrogen, its inlet raised in four stages.",
    ),
    Sample(
        "oxygen-seat-debris",
        "oxygen",
        "oxygen",
        2,
        ("seat_debris:0.5",),
        "Dirt on the seat of an oxygen regulator: it creeps.",
    ),
)


def make(sample: Sample, out: Path) -> None:
    """Simulate a sample run into a new file."""
    simulate(
        family=sample.family,
        plan_name=sample.plan,
        faults=sample.faults,
        seed=sample.seed,
        out=out,
    )


def judged(file: Path) -> dict[str, Any]:
    """Return what judging a run file gives, beside what was true."""
    run = open_run(file)
    assert run.truth is not None, f"{file} is of a simulated test"
    true = {
        (one["id"], one["step"], one["channel"]): one["value"]
        for one in run.truth["findings"]
    }
    judgement = judge(run)
    findings = []
    for f in judgement.findings:
        channel = f.channel or ""
        keys = ((f.id, f.step, channel), (f.id, f.step, ""))
        findings.append(
            {
                "step": f.step,
                "id": f.id,
                "channel": channel,
                "outcome": f.outcome.value,
                "value": None if f.measured is None else f.measured.value,
                "standard_uncertainty": None if f.measured is None else f.measured.u,
                "true": next((true[key] for key in keys if key in true), None),
            }
        )
    return {
        "verdict": judgement.verdict.value,
        "suspects": [list(s.fault_group) for s in judgement.suspects],
        "analysis_version": judgement.analysis_version,
        "findings": findings,
    }


def described(sample: Sample) -> dict[str, Any]:
    """Return a sample and what it gives, for ``expected.json``."""
    return {
        "family": sample.family,
        "plan": sample.plan,
        "seed": sample.seed,
        "faults": list(sample.faults),
        "about": sample.about,
        **judged(sample.file),
    }


def differences(expected: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    """Return in words what differs between two descriptions of one sample.

    Args:
        expected: as ``expected.json`` has it.
        found: as it came out now; keys that it lacks are not compared.
    """
    told = [
        f"{key}: {expected[key]!r} expected, {found[key]!r} found"
        for key in found
        if key != "findings" and expected[key] != found[key]
    ]
    pairs = zip(expected["findings"], found["findings"], strict=False)
    if len(expected["findings"]) != len(found["findings"]):
        told.append("another number of findings")
    for old, new in pairs:
        where = f"{old['step']} {old['id']} {old['channel']}".strip()
        for key in ("step", "id", "channel", "outcome"):
            if old[key] != new[key]:
                told.append(f"{where}: {key} {old[key]} expected, {new[key]} found")
        u = old["standard_uncertainty"] or 0.0
        allowed = (
            ("value", NEAR * u),
            ("standard_uncertainty", NEAR * u),
            ("true", NEAR_TRUE * abs(old["true"] or 0.0)),
        )
        for key, near in allowed:
            a, b = old[key], new[key]
            same = a == b if None in (a, b) else math.isclose(a, b, abs_tol=near)
            if not same:
                told.append(f"{where}: {key} {a} expected, {b} found")
    return told


def expected() -> dict[str, Any]:
    """Return what the sample runs give, by name."""
    document = json.loads(EXPECTED.read_text("utf-8"))
    assert document["schema"] == SCHEMA
    runs: dict[str, Any] = document["runs"]
    return runs


def rebuild() -> int:
    """Make all of them anew, and what is expected of them."""
    for sample in SAMPLES:
        with tempfile.TemporaryDirectory(dir=HERE) as folder:
            made = Path(folder) / sample.file.name
            make(sample, made)
            made.replace(sample.file)
        print(f"{sample.file.name}: {sample.file.stat().st_size / 1e6:.2f} MB")
    document = {"schema": SCHEMA, "runs": {s.name: described(s) for s in SAMPLES}}
    text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    EXPECTED.write_text(text, "utf-8")
    return 0


def check() -> int:
    """Simulate all of them again and compare, byte by byte and then by what they give.

    The same computer gives the same bytes; another one may round otherwise, and then
    gives the same outcomes and values within a thousandth of their uncertainty.
    """
    code = 0
    known = expected()
    if set(known) != {s.name for s in SAMPLES}:
        print(f"{EXPECTED.name}: holds other samples than there are")
        code = 1
    for sample in SAMPLES:
        wanted = known.get(sample.name)
        if wanted is None or not sample.file.exists():
            print(f"{sample.name}: missing")
            code = 1
            continue
        told = differences(wanted, described(sample))
        with tempfile.TemporaryDirectory() as folder:
            again = Path(folder) / sample.file.name
            make(sample, again)
            same = again.read_bytes() == sample.file.read_bytes()
            if not same:
                told += differences(wanted, judged(again))
        how = "the same bytes" if same else "other bytes, the same findings"
        print(f"{sample.name}: {'; '.join(told) if told else how}")
        code = 1 if told else code
    return code


def main(words: list[str]) -> int:
    """Rebuild or check."""
    if words not in ([], ["--check"]):
        print("rebuild: takes --check or nothing", file=sys.stderr)
        return 2
    return check() if words else rebuild()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
