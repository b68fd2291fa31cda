"""``proofstand job``, and ``record`` where a rule of the card stops it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from proofstand.commands.main import main
from proofstand.places import people_file
from proofstand.simulated import EPOCH, JOB_TEXT
from records.jobfile import example_text
from rig.simulator.rigtext import rig_text

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PROOFSTAND_HOME", str(tmp_path / "home"))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        told = capsys.readouterr()
        assert "Traceback" not in told.out + told.err
        return code, told.out, told.err

    return call


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(example_text(), "utf-8")
    return path


def changed(card: Path, *changes: tuple[str, str]) -> Path:
    text = card.read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = card.with_name(f"changed-{len(list(card.parent.iterdir()))}.toml")
    path.write_text(text, "utf-8")
    return path


def checked(run: Run, *arguments: object) -> tuple[int, dict[str, Any]]:
    code, out, _ = run("job", "check", "--json", *arguments)
    document: dict[str, Any] = json.loads(out)
    schema = json.loads((SCHEMAS / "job-checked-1.json").read_text("utf-8"))
    jsonschema.validate(document, schema)
    return code, document


KEPT = (
    'name = "diaphragm"\ndone = "replaced" ',
    'name = "diaphragm"\ndone = "reused" ',
)


def test_a_new_card_is_a_whole_one_and_never_put_over_another(
    run: Run, tmp_path: Path
) -> None:
    path = tmp_path / "new.toml"
    assert run("job", "new", "--out", path)[0] == 0
    assert path.read_text("utf-8") == example_text()
    code, out, _ = run("job", "check", path, "--plan", "low-pressure")
    assert code == 0
    assert "nothing against it" in out
    path.write_text("mine")
    code, _, err = run("job", "new", "--out", path)
    assert code == 2
    assert "overwritten" in err
    assert path.read_text() == "mine"


def test_a_stop_is_told_with_what_to_do(run: Run, card: Path) -> None:
    code, out, _ = run("job", "check", changed(card, KEPT))
    assert code == 6
    assert "1 stop, 1 warning" in out
    assert "STOP rebuild.parts: The diaphragm was reused" in out
    assert "(part_must_be_replaced)" in out
    assert out.index("STOP") < out.index("warning rebuild.parts")


def test_the_same_as_json(run: Run, card: Path) -> None:
    code, document = checked(run, changed(card, KEPT), "--plan", "low-pressure")
    assert code == 6
    (regulator,) = document["regulators"]
    assert regulator["serial"] == "K-4410"
    assert regulator["stopped"]
    assert [(n["id"], n["grade"]) for n in regulator["notes"]] == [
        ("part_must_be_replaced", "stop"),
        ("reused_not_inspected", "warn"),
    ]
    code, document = checked(run, card)
    assert code == 0
    assert document["regulators"][0]["notes"] == []


def test_each_of_a_batch_is_looked_at(run: Run, card: Path) -> None:
    bad = (
        '[[inspection.points]]\npoint = "vent"\nresult = "missing"\nserial = "K-2"\n\n'
    )
    batch = changed(
        card,
        ("# serials = ", 'serials = ["K-4410", "K-2"]\n# serials = '),
        ("[as_found]", bad + "[as_found]"),
    )
    code, document = checked(run, batch)
    assert code == 6
    stopped = {r["serial"]: r["stopped"] for r in document["regulators"]}
    assert stopped == {"K-4410": False, "K-2": True}
    assert "serial K-2: 1 stop" in run("job", "check", batch)[1]
    assert checked(run, batch, "--label", "LV-2207/K-4410")[0] == 0
    assert checked(run, batch, "--label", "K-2")[0] == 6
    code, document = checked(run, batch, "--label", "K-3")
    assert code == 6
    assert document["regulators"][0]["notes"][0]["id"] == "label_differs"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("none.toml",), "There is no job card here"),
        (("{card}", "--plan", "no-such"), "No plan is called no-such"),
        (("{card}", "--rig", "{card}"), "format"),
        (("{card}", "--rig", "{rig}", "--station", "Z"), "station"),
        (("{card}", "--people", "{card}"), "format"),
        (("{card}", "--people", "none.toml"), "There is no list of people here"),
    ],
)
def test_a_bad_file_is_told(
    run: Run, card: Path, arguments: tuple[str, ...], told: str
) -> None:
    rig = card.with_name("rig.toml")
    rig.write_text(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()))
    given = [a.format(card=card, rig=rig) for a in arguments]
    code, out, err = run("job", "check", *given)
    assert code == 2
    assert told in err
    assert out == ""


def test_a_wrong_card_names_its_line(run: Run, card: Path) -> None:
    wrong = changed(card, ('torque = "18 ft-lbf"', 'torque = "18 ft-kg"'))
    code, _, err = run("job", "check", wrong)
    assert code == 2
    line = wrong.read_text("utf-8").split("18 ft-kg")[0].count("\n") + 1
    assert f"{wrong}:{line}" in err
    assert "ft-lbf" in err


def test_the_shop_s_list_of_people_counts(run: Run, card: Path) -> None:
    people_file().parent.mkdir(parents=True)
    people_file().write_text(
        'format = "proofstand.people/1"\n[[people]]\nname = "M. Okafor"\n'
        'gases = ["any"]\n'
    )
    code, document = checked(run, card, "--by", "M. Okafor")
    assert [n["id"] for n in document["regulators"][0]["notes"]] == [
        "person_not_authorised"
    ]
    assert "P. Quill" in document["regulators"][0]["notes"][0]["what"]
    assert code == 6


def test_the_page_says_all_that_the_card_does(run: Run, card: Path) -> None:
    code, out, _ = run("job", "show", card)
    assert code == 0
    assert "Replacement by a new regulator is usually the better choice" in out
    typed = re.findall(
        r'(?m)^\s*(?!format|kind|inlet_acts)\w+ = "([^"\n]+)"', example_text()
    )
    assert len(typed) > 40
    for text in typed:
        assert text in out, text
    # 25 in-lbf and 18 ft-lbf by NIST SP 811, appendix B.8
    assert "25 in-lbf (2.82 N·m)" in out
    assert "18 ft-lbf (24.40 N·m)" in out
    document = json.loads(run("job", "show", "--json", card)[1])
    assert document["schema"] == "proofstand.job-shown/1"
    schema = json.loads((SCHEMAS / "job-shown-1.json").read_text("utf-8"))
    jsonschema.validate(document, schema)


def test_the_page_of_a_short_card_says_what_is_open(run: Run, card: Path) -> None:
    card.write_text(JOB_TEXT.replace("purged = true", "purged = false"), "utf-8")
    _, out, _ = run("job", "show", card)
    assert "NO STATEMENT: no pressure is applied" in out
    assert out.count("not recorded") == 3
    assert out.splitlines()[-1] == "  open"


def test_a_card_does_nothing_to_a_terminal(run: Run, card: Path) -> None:
    nasty = changed(card, ("Alder Heating", "\\u001b[31mAlder\\nHeating"))
    for action in ("show", "check"):
        _, out, _ = run("job", action, nasty)
        assert "\x1b" not in out
    assert "\\x1b[31mAlder\\nHeating" in run("job", "show", nasty)[1]


def test_record_refuses_on_a_stop_and_prints_the_warnings(run: Run, card: Path) -> None:
    rig = card.with_name("rig.toml")
    rig.write_text(rig_text("127.0.0.1", 9, 1.0, EPOCH.date()))
    out = card.with_name("run.h5")
    bad = changed(card, KEPT)
    more = ("--rig", rig, "--out", out, "--hands", "simulated")
    code, _, err = run("record", "--job", bad, *more)
    assert code == 6
    assert "warning rebuild.parts: The diaphragm was reused" in err
    assert "must be replaced" in err.splitlines()[-1]
    assert str(bad) in err.splitlines()[-1]
    code, out_text, _ = run("record", "--json", "--job", bad, *more)
    assert code == 6
    assert json.loads(out_text)["id"] == "part_must_be_replaced"
    code, _, err = run("record", "--job", card, *more, "--label", "K-9")
    assert code == 6
    assert "The label that was scanned says K-9" in err
    assert not out.exists()
    assert not out.with_suffix(".journal").exists()


def test_a_plan_that_does_not_fit_the_card_is_told_as_record_would(
    run: Run, card: Path
) -> None:
    asked = 'set_pressure = "11.0 in. w.c. gauge"'
    other = changed(card, (asked, asked.replace("11.0", "9.5")))
    code, out, err = run("job", "check", other, "--plan", "low-pressure")
    assert code == 6
    assert "nothing against it" in out
    assert "9.5 in. w.c. gauge" in err
    code, out, _ = run("job", "check", other, "--plan", "low-pressure", "--json")
    assert code == 6
    assert json.loads(out)["id"] == "set_pressure_of_another_plan"
    rig = card.with_name("rig.toml")
    text = rig_text("127.0.0.1", 502, 1.0, EPOCH.date())
    rig.write_text(text.replace('role = "inlet"', 'role = "bonnet"'))
    code, _, err = run("job", "check", card, "--plan", "low-pressure", "--rig", rig)
    assert code == 2
    assert "no channel of role inlet" in err


def test_the_shop_s_list_says_nothing_of_a_simulated_rig(run: Run, card: Path) -> None:
    people_file().parent.mkdir(parents=True)
    people_file().write_text('format = "proofstand.people/1"\npeople = []\n')
    rig = card.with_name("rig.toml")
    rig.write_text(rig_text("127.0.0.1", 502, 1.0, EPOCH.date()))
    assert checked(run, card)[0] == 6
    assert checked(run, card, "--rig", rig)[0] == 0
    # a list that is given by name counts there too
    assert checked(run, card, "--rig", rig, "--people", people_file())[0] == 6
