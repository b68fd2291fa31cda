"""What the desk shows of two stages: rows of their own, told apart by name."""

from __future__ import annotations

from gui.bench_desk.findings import finding_rows
from proofstand.simulated import EPOCH
from records.planfile import builtin_plan
from rig.rigfile import parse_rig
from rig.simulator.families import PAIR
from rig.simulator.rigtext import rig_text


def test_each_stage_has_rows_of_its_own() -> None:
    plan, _ = builtin_plan("pair")
    text = rig_text("127.0.0.1", 502, 1.0, EPOCH.date(), family=PAIR)
    rows = finding_rows(
        plan, parse_rig(text, "rig"), None, on="", read=(), ended=(), final=False
    )
    ids = [row.id for row in rows]
    assert len(set(ids)) == len(ids)
    assert {"set_pressure", "set_pressure interstage"} <= set(ids)
    names = {row.id: row.name for row in rows}
    assert names["seat_leak interstage"] == f"{names['seat_leak']}, interstage"
    assert "zero_offset interstage" not in names  # one row for all zeros
