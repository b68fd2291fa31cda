"""Whether a rig can run a plan: its channels, and what its holds can see there."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.bench.plancheck import check_plan, sights
from proofstand.commands.main import main
from proofstand.simulated import PLANS
from records.errors import InputError, RefusedError
from records.measure import parse_quantity, std_cm3_min
from records.plan import Plan
from records.planfile import builtin_plan, parse_plan
from records.rig import Rig
from rig.rigfile import parse_rig
from rig.simulator.families import FAMILIES
from rig.simulator.rigtext import rig_text


def rig_for(family: str = "second-stage") -> Rig:
    text = rig_text("127.0.0.1", 502, 1.0, family=FAMILIES[family])
    return parse_rig(text, "rig.toml")


def plan_with(*changes: tuple[str, str], id: str = "low-pressure") -> Plan:
    text = builtin_plan(id)[1]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_plan(text, "plan.toml")


@pytest.mark.parametrize("family", sorted(PLANS))
def test_every_family_s_plan_sees_its_limits_on_its_rig(family: str) -> None:
    seen = check_plan(builtin_plan(PLANS[family])[0], rig_for(family))
    # the cylinder plans judge by no hold: they say under not_shown what they can't see
    assert bool(seen) is (family not in ("cylinder-1", "cylinder-2", "oxygen"))
    assert all(sight.enough for sight in seen)


def test_a_hold_too_short_is_told_the_hold_that_would_do() -> None:
    # early on, the settling of gas temperature hides as much as a small leak gives
    plan = plan_with(
        ('max = "0.15 std cm3/min"', 'max = "0.02 std cm3/min"'),
        ('max = "0.015 std cm3/min"', 'max = "0.002 std cm3/min"'),
    )
    rig = rig_for()
    quiet = replace(rig, traits=replace(rig.traits, temperature_drift_k_per_h=0.01))  # type: ignore[type-var]
    short = replace(
        plan,
        steps=tuple(
            replace(s, hold=parse_quantity("10 s")) if s.kind == "rig-hold" else s
            for s in plan.steps
        ),
    )
    with pytest.raises(RefusedError) as caught:
        check_plan(short, quiet)
    assert caught.value.id == "plan_hold_short"
    assert caught.value.facts["step"] == "rig-hold"
    needed = float(re.sub(r" s$", "", caught.value.facts["needed"]))
    longer = replace(
        short,
        steps=tuple(
            replace(s, hold=parse_quantity(f"{needed:g} s"))
            if s.kind == "rig-hold"
            else s
            for s in short.steps
        ),
    )
    assert next(iter(sights(longer, quiet))).enough


def test_where_drift_hides_it_no_hold_would_do() -> None:
    plan = plan_with(
        ('max = "0.15 std cm3/min"', 'max = "0.0015 std cm3/min"'),
        ('max = "0.015 std cm3/min"', 'max = "0.00015 std cm3/min"'),
    )
    with pytest.raises(RefusedError) as caught:
        check_plan(plan, rig_for())
    assert caught.value.id == "plan_hold_blind"


def test_where_the_transducer_hides_it_a_better_one_is_asked_for() -> None:
    rig = rig_for()
    assert rig.traits is not None
    coarse = replace(
        rig,
        traits=replace(rig.traits, temperature_drift_k_per_h=0.0),
        channels=tuple(
            replace(c, resolution=parse_quantity("2000 Pa difference"))
            if c.role == "outlet"
            else c
            for c in rig.channels
        ),
        instruments=tuple(
            replace(i, period=parse_quantity("60 s")) for i in rig.instruments
        ),
    )
    with pytest.raises(RefusedError) as caught:
        check_plan(builtin_plan("low-pressure")[0], coarse)
    assert caught.value.id == "plan_hold_noisy"


def test_a_hold_is_no_method_for_a_leak_at_cylinder_pressure() -> None:
    """The gas's own warming: 97 mbar per 0.1 K at 201 bar (bench figure, nitrogen)."""
    plan = plan_with(
        (
            'finding = "seat_transfer"\nmax = "1.0 std cm3/min"\n'
            'source = "shop default"\nrequired = false\n',
            'finding = "external_leak"\nmax = "0.15 std cm3/min"\n'
            'source = "shop default"\n',
        ),
        id="cylinder",
    )
    with pytest.raises(RefusedError) as caught:
        check_plan(plan, rig_for("cylinder-1"))
    assert caught.value.id == "plan_hold_high"
    assert caught.value.facts["finding"] == "external_leak"


def test_an_early_pass_is_none_for_oxygen_or_cylinders() -> None:
    for id in ("cylinder-two-stage", "oxygen", "cylinder-flow"):
        with pytest.raises(InputError) as caught:
            plan_with(
                (
                    'rule = "guarded"\n',
                    'rule = "guarded"\nearly_pass = true\nearly_pass_after = "60 s"\n',
                ),
                id=id,
            )
        assert "oxygen" in caught.value.facts["right"]


def test_what_the_rig_lacks() -> None:
    rig = rig_for()
    plan = builtin_plan("low-pressure")[0]
    without = replace(rig, channels=tuple(c for c in rig.channels if c.role != "inlet"))
    with pytest.raises(InputError) as caught:
        check_plan(plan, without)
    assert caught.value.id == "rig_channel_missing"
    with pytest.raises(InputError) as caught:
        check_plan(builtin_plan("service-classes")[0], rig_for("service"))
    assert caught.value.id == "rig_flow_missing"
    with pytest.raises(InputError) as caught:
        check_plan(plan, replace(rig, traits=None))
    assert caught.value.id == "rig_volume_missing"


def test_a_bigger_volume_sees_less() -> None:
    rig = rig_for()
    assert rig.traits is not None
    outlet = rig.traits.volumes["outlet"]
    big = replace(outlet, volume=parse_quantity("5 L"))
    volumes = {**rig.traits.volumes, "outlet": big}
    wide = replace(rig, traits=replace(rig.traits, volumes=volumes))
    plan = builtin_plan("low-pressure")[0]
    pairs = zip(sights(plan, rig), sights(plan, wide), strict=True)
    assert all(b.smallest > a.smallest for a, b in pairs)


def test_a_limit_narrower_than_the_rig_reads_is_told_what_would_do() -> None:
    plan = plan_with(
        ('min = "10.8 in. w.c. gauge"', 'min = "10.999 in. w.c. gauge"'),
        ('max = "11.2 in. w.c. gauge"', 'max = "11.001 in. w.c. gauge"'),
        ('band = "0.15 in. w.c. difference"', 'band = "0.001 in. w.c. difference"'),
    )
    rig = rig_for()
    with pytest.raises(RefusedError) as caught:
        check_plan(plan, rig)
    assert caught.value.id == "plan_limit_narrow"
    assert caught.value.facts["step"] == "set"
    outlet = rig.channel("outlet")
    assert outlet is not None
    assert outlet.calibration is not None
    u = 1.96 * outlet.calibration.u_at(11.0 * 248.84)
    assert float(caught.value.facts["u"].split()[0]) == pytest.approx(
        u / outlet.measure_unit.factor, rel=0.05
    )
    check_plan(replace(plan, rule="simple"), rig)  # by the value alone it may pass
    bare = tuple(replace(c, calibration=None) for c in rig.channels)
    check_plan(plan, replace(rig, channels=bare))  # nothing says how well it reads


def test_a_hold_of_a_few_readings_is_told_how_many_it_takes() -> None:
    plan, _ = builtin_plan("low-pressure")
    short = replace(
        plan,
        steps=tuple(
            replace(s, hold=parse_quantity("0.1 s")) if s.id == "set" else s
            for s in plan.steps
        ),
    )
    with pytest.raises(RefusedError) as caught:
        check_plan(short, rig_for())
    assert caught.value.id == "plan_hold_few"
    assert caught.value.facts["step"] == "set"
    assert float(caught.value.facts["needed"].split()[0]) > 0.1


def test_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(rig_text("127.0.0.1", 502, 1.0), "utf-8")
    assert main(["plan", "check", "low-pressure", "--rig", str(rig), "--json"]) == 0
    holds = json.loads(capsys.readouterr().out)["holds"]
    assert [h["finding"] for h in holds] == ["rig_leak", "seat_leak", "external_leak"]
    assert all(h["smallest_pa_m3_per_s"] < h["limit_pa_m3_per_s"] for h in holds)
    assert std_cm3_min(holds[1]["limit_pa_m3_per_s"]) == pytest.approx(0.15)
    assert main(["plan", "check", "low-pressure", "--rig", str(rig)]) == 0
    told = capsys.readouterr().out
    assert "can be seen from about" in told
    assert "test gas" not in told
    burns = tmp_path / "burns.toml"
    text = builtin_plan("low-pressure")[1]
    burns.write_text(
        text.replace('test_gas = "nitrogen"', 'test_gas = "propane"'), "utf-8"
    )
    assert main(["plan", "check", str(burns), "--rig", str(rig)]) == 0
    assert "test gas propane: it burns" in capsys.readouterr().out
    assert main(["plan", "check", "service-classes", "--rig", str(rig)]) == 2
    said = capsys.readouterr().err
    assert str(rig) in said
    assert "flow channel" in said
    assert main(["plan", "check", "as-found"]) == 0
