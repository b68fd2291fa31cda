"""Job cards: what is read, what is refused with its line, what is written again."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from records.errors import InputError
from records.jobcard import FORMAT, Disposition, JobCard, Regulator
from records.jobfile import (
    example_text,
    job_text,
    load_job,
    load_people,
    load_work_limits,
    parse_job,
    write_anew,
    write_text,
)
from records.measure import UNITS, Kind, parse_quantity
from records.people import People
from records.rebuild import same_part
from records.tomlfile import from_json, to_json
from records.worklimits import years_after

DOC = Path(__file__).parents[2] / "docs" / "job-card.md"
EARLIER = """format = "proofstand.job/1"
id = "LV-1042"
purged = true
set_pressure = "11.0 in. w.c. gauge"
[regulator]
serial = "SIM-0001"
model = "m"
family = "second-stage"
gas = "propane"
"""


def refused(text: str, id: str) -> InputError:
    with pytest.raises(InputError) as caught:
        parse_job(text, "c.toml")
    assert caught.value.id == id
    return caught.value


def test_a_card_of_earlier_days_reads_as_it_did() -> None:
    job = parse_job(EARLIER, "c.toml")
    assert job.purged
    assert job.known_serials == ("SIM-0001",)
    assert (job.intake, job.inspection, job.as_found, job.rebuild) == (None,) * 4
    assert job.disposition == ()
    assert job.test_gas == "nitrogen"


def test_a_card_in_a_run_of_earlier_days_reads_too() -> None:
    old = b"""{"format": "proofstand.job/1", "id": "J", "purged": true, "regulator":
        {"serial": "s", "model": "", "family": "", "gas": "propane"}}"""
    assert from_json(old, JobCard).rebuild is None


def test_the_example_holds_every_table_and_is_the_page_s() -> None:
    job = parse_job(example_text(), "example.toml")
    assert job.intake is not None
    assert job.inspection is not None
    assert job.rebuild is not None
    assert job.intake.received == datetime.date(2026, 11, 23)
    assert len(job.inspection.points) == 12
    assert job.rebuild.torques[0].torque.typed == "25 in-lbf"
    assert example_text() in DOC.read_text("utf-8")


def test_what_the_example_leaves_as_a_remark_is_right_too() -> None:
    text = re.sub(
        r"(?m)^# (?=\[rebuild.cleaning|\[\[disp|(?:how|by|date|ending|adjuster_seal|"
        r"bag_seal) =)",
        "",
        example_text(),
    )
    job = parse_job(text, "example.toml")
    assert job.rebuild is not None
    assert job.rebuild.cleaning is not None
    assert job.rebuild.cleaning.told
    assert [d.ending for d in job.disposition] == ["returned to service"]


def test_a_card_is_written_and_read_again() -> None:
    job = parse_job(example_text(), "example.toml")
    text = job_text(job)
    assert parse_job(text, "again.toml") == job
    assert 'torque = "18 ft-lbf"' in text
    assert from_json(to_json(job), JobCard) == job


@given(st.text(max_size=40), st.text(max_size=20))
def test_any_text_survives_the_file(note: str, serial: str) -> None:
    job = JobCard(
        format=FORMAT,
        id="J",
        regulator=Regulator(serial=serial, model="", family="", gas=""),
        notes=note,
        disposition=(Disposition(ending="on hold", note=note),),
    )
    assert parse_job(job_text(job), "c.toml") == job


@pytest.mark.parametrize(
    ("old", "new", "id", "line"),
    [
        (
            'torque = "25 in-lbf"',
            'torque = "25 in. w.c. gauge"',
            "quantity_kind_wrong",
            1,
        ),
        ('torque = "25 in-lbf"', 'torque = "25 ft-kg"', "quantity_unit_unknown", 1),
        ('"10 psi gauge"', '"1,000 psi gauge"', "quantity_two_readings", 1),
        ('torque = "25 in-lbf"', 'torque = "-25 in-lbf"', "value_wrong", -1),
        ('result = "worn" ', 'result = "heavy" ', "value_wrong", -1),
        ('result = "worn" ', 'result = "fine" ', "value_wrong_type", 0),
        ('point = "vent"', 'point = "valve"', "value_wrong_type", 0),
        ("received = 2026-11-23", 'received = "yesterday"', "value_wrong_type", 0),
        ('done = "replaced"', 'done = "new"', "value_wrong_type", 0),
        ('kind = "silicone"', 'kind = "grease"', "value_wrong_type", 0),
        ('lot = "G-18"', 'lto = "G-18"', "key_unknown", 0),
        ("rebuilds = 0", 'rebuilds = "0"', "value_wrong_type", 0),
        ("purged = true", 'purged = "yes"', "value_wrong_type", 0),
        ('"11.0 in. w.c. gauge"', '"40 psi gauge"', "value_wrong", None),
    ],
)
def test_what_is_wrong_is_told_with_its_line(
    old: str, new: str, id: str, line: int | None
) -> None:
    text = example_text()
    assert old in text
    error = refused(text.replace(old, new, 1), id)
    number = text[: text.index(old)].count("\n") + 1
    assert error.where.startswith("c.toml")
    if line == 0:
        assert error.where == f"c.toml:{number}"
    elif line == 1:
        assert error.where.startswith(f"c.toml:{number}: ")
    elif line == -1:  # the table that it stands in
        assert error.where == f"c.toml:{number - 2}"


def test_a_batch_knows_its_own() -> None:
    batch = EARLIER.replace("purged", 'serials = ["SIM-0001", "SIM-0002"]\npurged', 1)
    batch += """
[[disposition]]
ending = "scrapped"
serial = "SIM-0002"
"""
    job = parse_job(batch, "c.toml")
    assert job.serial_of(" LV-1042/SIM-0002 ") == "SIM-0002"
    assert job.serial_of("SIM-0001") == "SIM-0001"
    assert job.serial_of("LV-1043/SIM-0001") is None
    # scanners and hands vary in case
    assert job.serial_of("lv-1042/sim-0002") == "SIM-0002"
    assert job.serial_of("sim-0001") == "SIM-0001"
    assert job.serial_of("sim-0003") is None
    alike = replace(job, serials=("SIM-a", "SIM-A"))
    assert alike.serial_of("SIM-A") == "SIM-A"
    assert alike.serial_of("sim-a") is None  # either could be meant
    assert job.of_serial("SIM-0002").disposition[0].ending == "scrapped"
    assert job.of_serial("SIM-0001").disposition == ()
    assert job.of_serial("SIM-0002").regulator.serial == "SIM-0002"
    refused(batch.replace('serial = "SIM-0001"', 'serial = "SIM-9"', 1), "value_wrong")
    refused(batch.replace('serial = "SIM-0002"', 'serial = "SIM-9"', 1), "value_wrong")
    refused(batch.replace('"SIM-0001", "SIM', '"SIM-0002", "SIM', 1), "value_wrong")


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("ft-lbf", 1.355818), ("in-lbf", 0.1129848), ("N·m", 1.0), ("N.m", 1.0)],
)
def test_torques_by_nist_sp_811(unit: str, factor: float) -> None:
    # NIST SP 811 (2008), appendix B.8: foot pound-force, inch pound-force; as printed
    assert UNITS[unit].factor == pytest.approx(factor, rel=5e-7)
    typed = parse_quantity(f"12,5 {unit}", Kind.TORQUE)
    assert typed.value_si == pytest.approx(12.5 * factor, rel=5e-7)
    assert typed.typed == f"12,5 {unit}"


def test_names_of_parts_are_compared_as_people_write_them() -> None:
    assert same_part("Back-cap gasket", "back cap  gasket")
    assert not same_part("gasket", "back cap gasket")


def test_a_card_is_never_put_over_another(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    write_text(path, "one")
    with pytest.raises(InputError, match="file_exists"):
        write_text(path, "two")
    assert path.read_text() == "one"
    with pytest.raises(InputError, match="file_unwritable"):
        write_text(tmp_path / "none" / "c.toml", "x")


def test_an_earlier_card_is_kept_beside_the_new_one(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    assert write_anew(path, "one") is None
    assert write_anew(path, "two") == tmp_path / "c.before-1.toml"
    assert write_anew(path, "two") is None
    assert write_anew(path, "three") == tmp_path / "c.before-2.toml"
    told = {p.name: p.read_text() for p in tmp_path.iterdir()}
    assert told == {
        "c.toml": "three",
        "c.before-1.toml": "one",
        "c.before-2.toml": "two",
    }
    with pytest.raises(InputError, match="file_unwritable"):
        write_anew(tmp_path / "none" / "c.toml", "x")
    with pytest.raises(InputError, match="file_unwritable"):
        write_anew(tmp_path, "x")


def test_the_list_of_people(tmp_path: Path) -> None:
    path = tmp_path / "people.toml"
    path.write_text(
        'format = "proofstand.people/1"\n[[people]]\nname = "P. Quill"\n'
        'gases = ["Oxygen", "propane"]\n[[people]]\nname = "I. Ferrand"\n'
        'gases = ["any"]\n'
    )
    people = load_people(path)
    assert people.may("p.  quill", "oxygen")
    assert not people.may("P. Quill", "argon")
    assert people.may("I. Ferrand", "argon")
    assert not people.may("", "argon")
    assert not replace(people, people=()).may("I. Ferrand", "argon")
    path.write_text('format = "proofstand.people/1"\n[[people]]\nname = "P. Quill"\n')
    with pytest.raises(InputError, match="key_missing"):
        load_people(path)
    assert isinstance(people, People)


def test_the_documented_list_of_people(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", DOC.read_text("utf-8"), re.S)
    path = tmp_path / "people.toml"
    path.write_text(next(b for b in blocks if "proofstand.people/1" in b), "utf-8")
    assert load_people(path).may("P. Quill (invented)", "natural gas")


def test_the_documented_work_limits(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", DOC.read_text("utf-8"), re.S)
    path = tmp_path / "work-limits.toml"
    path.write_text(next(b for b in blocks if "work-limits/1" in b), "utf-8")
    found = load_work_limits(path)
    limit = found.of("second-stage")
    assert limit is not None
    assert (limit.most_years, limit.most_rebuilds, limit.rubber_years) == (15, 2, 8)
    assert found.of("line") is None
    path.write_text(path.read_text("utf-8").replace("15", '"15 years"'), "utf-8")
    with pytest.raises(InputError, match=r"work-limits.toml:\d"):
        load_work_limits(path)


def test_a_leap_day_comes_back_as_the_day_before_march() -> None:
    day = datetime.date(2024, 2, 29)
    assert years_after(day, 1) == datetime.date(2025, 2, 28)
    assert years_after(day, 4) == datetime.date(2028, 2, 29)


@pytest.mark.parametrize(
    ("typed", "kind", "near"),
    [
        ("11 in", Kind.PRESSURE, "in. w.c."),
        ("18 ft-lbs", Kind.TORQUE, "ft-lbf"),
        ("18 NM", Kind.TORQUE, "N·m"),
        ("18", Kind.TORQUE, "ft-lbf"),
        ("18 qq", Kind.PRESSURE, "psi"),
    ],
)
def test_the_nearest_units_are_of_the_kind_that_is_wanted(
    typed: str, kind: Kind, near: str
) -> None:
    with pytest.raises(InputError, match=r"quantity_unit_(unknown|missing)") as caught:
        parse_quantity(typed, kind)
    told = caught.value.facts["near"].split(", ")
    assert near in told
    assert all(UNITS[unit].kind is kind for unit in told)


FIRST = """format = "proofstand.job/1"
id = "LV-3001"
{more}
[regulator]
serial = "{serial}"
model = "invented first stage"
family = "first-stage"
gas = "propane"
"""


def pair(folder: Path, *, serial: str = "F-1", more: str = "", own: str = "") -> Path:
    """Return the card of a second stage that names a first one's beside it."""
    first = FIRST.format(serial=serial, more=more)
    (folder / "first.toml").write_text(first, "utf-8")
    card = folder / "second.toml"
    top = f'{own}upstream_card = "first.toml"'
    text = FIRST.format(serial="S-1", more=top).replace("first stage", "second stage")
    card.write_text(text.replace("LV-3001", "LV-3002"), "utf-8")
    return card


def test_a_pair_has_two_cards(tmp_path: Path) -> None:
    job = load_job(pair(tmp_path, more="purged = true"))
    assert job.upstream is not None
    assert [c.regulator.serial for c in job.cards] == ["F-1", "S-1"]
    assert [c.id for c in job.cards] == ["LV-3001", "LV-3002"]
    assert job.two_stages
    assert job.upstream.purged
    assert not job.purged
    # written anew it names the other file and does not take it in
    text = job_text(job)
    assert 'upstream_card = "first.toml"' in text
    assert "F-1" not in text
    again = tmp_path / "again.toml"
    again.write_text(text, "utf-8")
    assert load_job(again) == job


@pytest.mark.parametrize(
    ("change", "id", "right"),
    [
        ({"serial": "S-1"}, "value_wrong", "serial of its own"),
        ({"more": 'upstream_card = "third.toml"'}, "value_wrong", "no third"),
        ({"more": 'serials = ["F-1", "F-2"]'}, "value_wrong", "no batch"),
        ({"own": 'serials = ["S-1", "S-2"]\n'}, "value_wrong", "no batch"),
    ],
)
def test_what_can_be_no_pair(
    tmp_path: Path, change: dict[str, str], id: str, right: str
) -> None:
    with pytest.raises(InputError) as caught:
        load_job(pair(tmp_path, **change))
    assert caught.value.id == id
    assert right in caught.value.facts["right"]


def test_a_partner_s_card_that_is_not_there_is_told(tmp_path: Path) -> None:
    card = pair(tmp_path)
    (tmp_path / "first.toml").unlink()
    with pytest.raises(InputError) as caught:
        load_job(card)
    assert caught.value.id == "file_missing"
    assert "first.toml" in caught.value.where


def test_the_other_card_is_a_file_and_no_table(tmp_path: Path) -> None:
    card = pair(tmp_path)
    text = card.read_text("utf-8").replace('upstream_card = "first.toml"', "")
    inner = FIRST.format(serial="F-1", more="").replace(
        "[regulator]", "[upstream.regulator]"
    )
    text += "\n[upstream]\n" + inner
    with pytest.raises(InputError) as caught:
        parse_job(text, "c.toml")
    assert caught.value.id == "value_wrong"
    assert caught.value.facts["key"] == "upstream"


PLATE = """[regulator.nameplate]
inlet_max = "10 psi gauge"
outlet_min = "9 in. w.c. gauge"
outlet_max = "13 in. w.c. gauge"
outlet_rating = "2 psi gauge"
"""


@pytest.mark.parametrize(
    ("old", "new", "gauge"),
    [
        ('"10 psi gauge"', '"10 psi absolute"', "-4.696 psi gauge"),
        ('"10 psi gauge"', '"10 psi difference"', "10 psi gauge"),
        ('"9 in. w.c. gauge"', '"416 in. w.c. absolute"', "8.811 in. w.c. gauge"),
        ('"13 in. w.c. gauge"', '"420 in. w.c. absolute"', "12.81 in. w.c. gauge"),
        ('"2 psi gauge"', '"2 psi difference"', "2 psi gauge"),
        ('"11.0 in. w.c. gauge"', '"11.0 in. w.c. absolute"', "-396.2 in. w.c. gauge"),
        ('"11.0 in. w.c. gauge"', '"11.0 in. w.c. difference"', "11 in. w.c. gauge"),
    ],
)
def test_what_is_stamped_or_asked_for_is_gauge(old: str, new: str, gauge: str) -> None:
    text = EARLIER + PLATE
    error = refused(text.replace(old, new, 1), "job_not_gauge")
    assert error.facts["gauge"] == gauge  # against 101.325 kPa, by hand
    assert error.where == f"c.toml:{text[: text.index(old)].count(chr(10)) + 1}"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"10 psi gauge"', '"-10 psi gauge"'),
        ('"10 psi gauge"', '"0 psi gauge"'),
        ('"9 in. w.c. gauge"', '"-9 in. w.c. gauge"'),
        ('"9 in. w.c. gauge"', '"14 in. w.c. gauge"'),
    ],
)
def test_no_nameplate_says_that(old: str, new: str) -> None:
    parse_job(EARLIER + PLATE, "c.toml")
    refused((EARLIER + PLATE).replace(old, new, 1), "value_wrong")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[regulator]", "[intake]\nrebuilds = -4\n[regulator]"),
        (
            "[regulator]",
            '[[disposition]]\nending = "scrapped"\nserial = "SIM-9"\n[regulator]',
        ),
        (
            "[regulator]",
            '[[rebuild.parts]]\nname = "a"\ndone = "replaced"\nserial = "SIM-9"\n'
            "[regulator]",
        ),
    ],
)
def test_no_regulator_is_of_that_card(old: str, new: str) -> None:
    parse_job(EARLIER, "c.toml")
    refused(EARLIER.replace(old, new, 1), "value_wrong")


def test_what_can_t_be_read_needs_no_serial() -> None:
    tagged = '[intake]\nserial_unreadable = true\nshop_number = "T-7"\n[regulator]'
    text = EARLIER.replace("[regulator]", tagged, 1).replace("SIM-0001", "")
    assert parse_job(text, "c.toml").known_serials == ("T-7",)
