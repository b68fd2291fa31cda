"""How the rig itself moves from shift to shift, as kept checks tell it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from proofstand.keeping.made import keep_shift
from proofstand.places import archive_dir
from proofstand.shifts import keep_check, new_check
from records.measure import parse_quantity
from records.rig import Rig
from records.runfile import read_sealed
from records.shift import FoundStandard, ShiftPart, ShiftRecord
from rig.rigfile import load_rig

from .conftest import SealedRun
from .shop import real
from .shops import Call, call
from .test_made import real_rig
from .test_shift import leak, record_of

__all__ = ["call"]

DAY_NS = 86_400 * 10**9
BEGIN_NS = 1_790_000_000 * 10**9
SCHEMA = Path(__file__).parents[2] / "docs" / "schemas" / "records-trend-1.json"


def standard(found: str) -> FoundStandard:
    value = float(found.split()[0])
    return FoundStandard(
        id="RL-7 (invented)",
        kind="reference leak",
        certificate="C-1 (invented)",
        finding="seat_leak",
        stated=parse_quantity("2 std cm3/min"),
        u_stated=parse_quantity("0.05 std cm3/min"),
        limit=parse_quantity("0.2 std cm3/min"),
        found=parse_quantity(found),
        u_found=parse_quantity("0.02 std cm3/min"),
        low=parse_quantity(f"{value - 0.04:.3f} std cm3/min"),
        high=parse_quantity(f"{value + 0.04:.3f} std cm3/min"),
        apart=0.0,
        outcome="pass" if abs(value - 2.0) < 0.2 else "fail",
    )


@pytest.fixture
def keep(tmp_path: Path) -> Callable[..., ShiftRecord]:
    path = real_rig(tmp_path)
    rig: Rig = load_rig(path)

    def kept(day: int, run: Path | None = None, **changes: object) -> ShiftRecord:
        at = BEGIN_NS + day * DAY_NS
        folder = new_check(rig.id, "station-1", at)
        parts: tuple[ShiftPart, ...] = ()
        if run is not None:
            shutil.copyfile(run, folder / "zero.h5")
            sealed = read_sealed(run)
            part = ShiftPart(
                what="zero",
                passed=True,
                run=sealed.id,
                sha256=sealed.sha256,
                file="zero.h5",
            )
            parts = (part,)
        of_check = {"id": folder.name, "utc_ns": at, "parts": parts}
        made = record_of(rig, **of_check, **changes)
        made = keep_check(folder, made)
        assert keep_shift(folder, made, path) is None
        return made

    return kept


def test_the_check_standard_and_the_rig_s_leak_are_charted_over_checks(
    keep: Callable[..., ShiftRecord], call: Call, tmp_path: Path
) -> None:
    gate = parse_quantity("0.02 std cm3/min")
    for day, found in enumerate([2.0, 2.01, 1.99, 2.02, 2.0, 1.98, 2.01, 2.0, 2.6]):
        keep(
            day,
            standard=standard(f"{found:.3f} std cm3/min"),
            rig_leak=leak(f"{0.008 + 0.002 * day:.3f} std cm3/min"),
            gate=gate,
        )
    trend = ("records", "trend", "--shift", "check_standard")
    code, out, _ = call(*trend, "--json")
    assert code == 0
    told = json.loads(out)
    jsonschema.validate(told, json.loads(SCHEMA.read_text("utf-8")))
    (series,) = told["series"]
    assert "RL-7" in series["label"]
    assert (series["unit"], len(series["points"])) == ("Pa·m3/s", 9)
    assert series["individuals"]["outside"] == [8]
    last = series["points"][-1]
    assert last["outcome"] == "fail"
    assert last["limit"]["min"] < 2.0 * 101325e-6 / 60.0 < last["limit"]["max"]
    _, out, _ = call(*trend)
    assert "UNUSUAL" in out
    assert "2.600 (2.560 to 2.640) std cm3/min" in out
    picture = tmp_path / "standard.svg"
    assert call(*trend, "--out", picture)[0] == 0
    assert b"<svg" in picture.read_bytes()
    _, out, _ = call("records", "trend", "--shift", "rig_leak", "--json")
    (series,) = json.loads(out)["series"]
    outcomes = [point["outcome"] for point in series["points"]]
    assert outcomes == ["pass"] * 7 + ["fail"] * 2  # the upper end against the gate
    for filters, count in (
        (("--rig", "SIMULATED-*"), 9),
        (("--rig", "other"), 0),
        (("--to", "1999-01-01"), 0),
    ):
        _, out, _ = call(*trend, "--json", *filters)
        series_found = json.loads(out)["series"]
        assert sum(len(s["points"]) for s in series_found) == count, filters


def test_zeros_come_from_the_kept_run_and_a_spoilt_one_is_left_out(
    keep: Callable[..., ShiftRecord],
    call: Call,
    sealed_run: SealedRun,
    bench_key: Path,
) -> None:
    run = sealed_run(key=bench_key, change=real)
    for day in range(2):
        keep(day, run)
    trend = ("records", "trend", "--shift", "zero_offset", "--json")
    told = json.loads(call(*trend)[1])
    channels = {series["channel"] for series in told["series"]}
    assert {"outlet", "inlet"} <= channels
    assert all(len(series["points"]) == 2 for series in told["series"])
    assert told["unread"] == []
    spoilt = next(archive_dir().glob("shop/shift/*/zero.h5"))
    spoilt.chmod(0o644)
    spoilt.write_bytes(spoilt.read_bytes()[:-100])
    told = json.loads(call(*trend)[1])
    assert all(len(series["points"]) == 1 for series in told["series"])
    assert told["unread"] == [str(spoilt)]


def test_without_checks_it_is_said(
    call: Call, sealed_run: SealedRun, bench_key: Path
) -> None:
    run = sealed_run(key=bench_key, change=real)
    assert call("records", "add", run, "--key", bench_key)[0] == 0
    code, out, _ = call("records", "trend", "--shift", "rig_leak")
    assert code == 0
    assert "No check" in out
