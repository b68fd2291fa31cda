"""People: roles are kept, PINs can't be guessed, and what happened stays on record."""

from __future__ import annotations

import ast
import getpass
import json
import os
import re
import stat
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from proofstand.commands.main import main
from proofstand.places import keys_dir, people_dir, people_file
from proofstand.ready import people_of
from proofstand.signoff import persons, pins, roll
from proofstand.signoff.persons import (
    FREE_TRIES,
    LONGEST_WAIT_S,
    MOST_TRIES,
    locked_until_ns,
    prove,
    the_roll,
)
from records.errors import InputError, IntegrityError, RefusedError
from records.people import MAY, Act, Member, Proof, Role, Roll, name_key

from .shop import (
    HAND,
    LEAD,
    PINS,
    QUICK,
    SECOND,
    SIGNER,
    TRAINER,
    Clock,
    knows,
    own_key,
    people,
    says,
)

ROOT = Path(__file__).parents[2]
Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Call:
    monkeypatch.setattr(pins, "COST", QUICK)

    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return run


def member(name: str) -> Member:
    found = the_roll()
    assert found is not None
    told = found.member(name)
    assert told is not None
    return told


# --- roles ---------------------------------------------------------------------------


def test_before_the_roll_names_are_as_typed() -> None:
    who = prove("  Anybody   at all ", Act.CERTIFY, persons.no_pin)
    assert (who.name, who.role, who.proof) == ("Anybody at all", "", Proof.TYPED)
    assert not people_dir().exists()


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize("act", list(Act))
@pytest.mark.parametrize("name", [LEAD, SIGNER, HAND, TRAINER])
def test_each_does_what_the_table_says_and_no_more(
    name: str, act: Act, clock: Clock
) -> None:
    role = member(name).role_for(act)
    if role is None:
        with pytest.raises(RefusedError) as refused:
            prove(name, act, knows, utc_ns=clock)
        assert refused.value.id == "role_wanted"
        assert refused.value.exit_code == 6
        assert member(name).wrong == 0
        return
    who = prove(name.upper(), act, knows, utc_ns=clock)
    found = the_roll()
    assert found is not None
    assert (who.name, who.role, who.proof) == (name, role.value, Proof.PIN)
    assert who.roll == found.id


def test_a_lead_may_everything_and_a_trainer_signs_nothing() -> None:
    assert MAY[Role.QUALITY_LEAD] == set(Act)
    assert MAY[Role.TRAINER] == frozenset()
    assert set(MAY) == set(Role)


@pytest.mark.tree
def test_the_page_shows_the_same_table() -> None:
    text = (ROOT / "docs" / "people.md").read_text("utf-8")
    rows = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \| (.+?) \| (.+?) \|$", text, re.M)
    shown = {cells[0]: cells[1:] for cells in rows}
    assert shown["may"] == tuple(f"`{role}`" for role in Role)
    for act in Act:
        wanted = tuple("yes" if act in MAY[role] else "no" for role in Role)
        assert shown[act.value] == wanted, act


@pytest.mark.usefixtures("shop")
def test_names_that_are_not_there(clock: Clock) -> None:
    for name, id in (("Nobody", "person_unknown"), ("  ", "person_wanted")):
        with pytest.raises(RefusedError, match=id):
            prove(name, Act.CERTIFY, knows, utc_ns=clock)


@pytest.mark.usefixtures("shop")
def test_a_name_that_looks_like_another_is_refused(clock: Clock) -> None:
    def add(name: str) -> None:
        persons.add(
            LEAD, knows, name, [Role.TRAINER], ["any"], "kelp-5528", utc_ns=clock
        )

    # Unicode Technical Standard 39: Cyrillic o and a look like Latin ones
    with pytest.raises(RefusedError, match="person_looks_alike") as refused:
        add("M. \u041ek\u0430f\u043er (invented)")
    assert refused.value.facts["known"] == HAND
    add("Жуков (invented)")
    with pytest.raises(RefusedError, match="person_there_already"):
        add("жуков (invented)")


@pytest.mark.usefixtures("shop")
def test_who_left_does_nothing_any_more_and_the_name_stays_taken(clock: Clock) -> None:
    gone = persons.retire(LEAD, knows, SIGNER, "moved away", utc_ns=clock)
    assert not gone.active
    with pytest.raises(RefusedError, match="person_retired"):
        prove(SIGNER, Act.CERTIFY, knows, utc_ns=clock)
    with pytest.raises(RefusedError, match="person_there_already"):
        persons.add(
            LEAD, knows, SIGNER.upper(), [Role.SIGNATORY], [], "kelp-9921", utc_ns=clock
        )
    record = roll.read()
    assert record is not None
    assert any(e.who == SIGNER and e.act == roll.ADD for e in record.events)


@pytest.mark.usefixtures("shop")
def test_a_shop_keeps_a_lead(clock: Clock) -> None:
    persons.retire(LEAD, knows, SECOND, "left", utc_ns=clock)
    with pytest.raises(RefusedError, match="last_lead"):
        persons.retire(LEAD, knows, LEAD, "left", utc_ns=clock)
    with pytest.raises(RefusedError, match="last_lead"):
        persons.change(LEAD, knows, LEAD, roles=[Role.TECHNICIAN], utc_ns=clock)
    assert member(LEAD).active


def test_the_first_is_a_lead_and_only_a_lead_adds(
    shop: Path, clock: Clock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(RefusedError, match="roll_begun"):
        persons.begin("Other", [Role.QUALITY_LEAD], [], "kelp-9921", utc_ns=clock)
    with pytest.raises(RefusedError, match="role_wanted"):
        persons.add(
            HAND, knows, "Other", [Role.TECHNICIAN], [], "kelp-9921", utc_ns=clock
        )
    monkeypatch.setenv("PROOFSTAND_HOME", str(tmp_path / "another"))
    with pytest.raises(RefusedError, match="lead_first"):
        persons.begin("Other", [Role.TECHNICIAN], [], "kelp-9921", utc_ns=clock)
    with pytest.raises(RefusedError, match="roll_not_begun"):
        persons.add("X", knows, "Y", [Role.TECHNICIAN], [], "kelp-9921", utc_ns=clock)
    assert the_roll() is None


@pytest.mark.usefixtures("shop")
def test_the_roll_is_the_list_for_the_job_card_s_rule(clock: Clock) -> None:
    listed = people_of()
    assert listed is not None
    assert listed.may(HAND, "Propane")
    assert not listed.may(HAND, "oxygen")
    assert listed.may(LEAD, "oxygen")
    assert not listed.may(TRAINER, "propane")  # a role that tests nothing
    persons.change(LEAD, knows, HAND, gases=["oxygen"], utc_ns=clock)
    persons.retire(LEAD, knows, SIGNER, "left", utc_ns=clock)
    listed = people_of()
    assert listed is not None
    assert listed.may(HAND, "oxygen")
    assert not listed.may(HAND, "propane")
    assert not listed.may(SIGNER, "propane")


def test_a_file_of_before_is_still_read(own_places: Path) -> None:
    people_file().parent.mkdir(parents=True)
    people_file().write_text(
        'format = "proofstand.people/1"\n[[people]]\nname = "M. Okafor"\n'
        'gases = ["propane"]\n'
    )
    listed = people_of()
    assert listed is not None
    assert listed.may("M. Okafor", "propane")


# --- guessing ------------------------------------------------------------------------


@pytest.mark.usefixtures("shop")
def test_wrong_pins_lock_for_longer_and_longer(clock: Clock) -> None:
    waits = []
    for n in range(1, 16):
        with pytest.raises(RefusedError) as refused:
            prove(LEAD, Act.KEYS, says("wrong-1"), utc_ns=clock)
        if n < FREE_TRIES:
            assert refused.value.id == "pin_wrong"
            assert refused.value.facts["left"] == str(FREE_TRIES - n)
            continue
        assert refused.value.id == "pin_locked"
        until = locked_until_ns(member(LEAD))
        told = refused.value.facts["until"]
        assert told == persons.moment(until)
        with pytest.raises(RefusedError, match="pin_locked"):
            prove(LEAD, Act.KEYS, knows, utc_ns=clock)  # the right one, too early
        waits.append((until - clock.now_ns) / 1e9)
        clock.now_ns = until
    assert waits[:8] == [30, 60, 120, 240, 480, 960, 1920, 3600]
    assert set(waits[8:]) == {LONGEST_WAIT_S}
    assert prove(LEAD, Act.KEYS, knows, utc_ns=clock).name == LEAD
    assert member(LEAD).wrong == 0


@pytest.mark.usefixtures("shop")
def test_a_thousand_guesses_get_nowhere(clock: Clock) -> None:
    for n in range(1000):
        with pytest.raises(RefusedError):
            prove(SIGNER, Act.CERTIFY, says(f"{n:06d}"), utc_ns=clock)
        clock.wait(LONGEST_WAIT_S / 4)
    assert member(SIGNER).wrong == MOST_TRIES
    with pytest.raises(RefusedError) as refused:
        prove(SIGNER, Act.CERTIFY, knows, utc_ns=clock)
    assert refused.value.id == "pin_locked_for_good"
    # the lead's doing is on record, and the new PIN counts
    persons.reset_pin(LEAD, knows, SIGNER, "fjord-118", utc_ns=clock)
    assert prove(SIGNER, Act.CERTIFY, says("fjord-118"), utc_ns=clock).name == SIGNER
    record = roll.read()
    assert record is not None
    tries = [e for e in record.events if e.act == roll.TRY and e.who == SIGNER]
    assert len(tries) == MOST_TRIES + 1
    resets = [e for e in record.events if e.act == roll.RESET]
    assert [(e.by, e.who) for e in resets] == [(LEAD, SIGNER)]


@pytest.mark.usefixtures("shop")
def test_locked_pins_are_not_even_compared(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(FREE_TRIES):
        with pytest.raises(RefusedError):
            prove(LEAD, Act.KEYS, says("wrong-1"), utc_ns=clock)

    def compared(*_: object) -> bool:
        raise AssertionError("it was compared")

    monkeypatch.setattr(persons, "fits", compared)
    with pytest.raises(RefusedError, match="pin_locked"):
        prove(LEAD, Act.KEYS, knows, utc_ns=clock)


@pytest.mark.usefixtures("shop")
def test_a_try_counts_though_the_program_dies_before_the_answer(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dies(*_: object) -> bool:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(persons, "fits", dies)
        with pytest.raises(KeyboardInterrupt):
            prove(LEAD, Act.KEYS, knows, utc_ns=clock)
    assert member(LEAD).wrong == 1


@pytest.mark.usefixtures("shop")
def test_a_lock_survives_a_restart_and_a_clock_set_back(clock: Clock) -> None:
    for _ in range(FREE_TRIES):
        with pytest.raises(RefusedError):
            prove(LEAD, Act.KEYS, says("wrong-1"), utc_ns=clock)
    program = (
        "from proofstand.signoff.persons import prove\n"
        "from records.people import Act\n"
        f"prove({LEAD!r}, Act.KEYS, lambda n: {PINS[LEAD]!r}, "
        f"utc_ns=lambda: {clock.now_ns - 10**18})\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert "pin_locked" in done.stderr


@pytest.mark.usefixtures("shop")
def test_the_pin_is_changed_by_oneself_and_reset_by_another_lead(clock: Clock) -> None:
    persons.change_pin(HAND, knows, "fjord-118", utc_ns=clock)
    with pytest.raises(RefusedError, match="pin_wrong"):
        persons.change_pin(HAND, knows, "fjord-119", utc_ns=clock)
    persons.change_pin(HAND, says("fjord-118"), "fjord-119", utc_ns=clock)
    with pytest.raises(RefusedError, match="pin_reset_own"):
        persons.reset_pin(LEAD, knows, LEAD.lower(), "fjord-120", utc_ns=clock)
    with pytest.raises(RefusedError, match="role_wanted"):
        persons.reset_pin(SIGNER, knows, HAND, "fjord-120", utc_ns=clock)
    with pytest.raises(InputError, match="pin_weak"):
        persons.reset_pin(LEAD, knows, HAND, "123456", utc_ns=clock)
    assert len(list((people_dir() / "pins").iterdir())) == len(PINS)


# --- the record ----------------------------------------------------------------------


def test_no_pin_stands_anywhere(shop: Path, clock: Clock) -> None:
    for name, pin in PINS.items():
        with pytest.raises(RefusedError):
            prove(name, Act.TEST, says(pin + "-wrong"), utc_ns=clock)
    persons.reset_pin(LEAD, knows, HAND, "fjord-118", utc_ns=clock)
    files = [
        p
        for p in shop.rglob("*")
        if p.is_file() and not p.is_relative_to(keys_dir() / "shop")
    ]
    assert len(files) > len(PINS)
    for file in files:
        text = file.read_bytes().decode("utf-8")
        for pin in (*PINS.values(), "fjord-118"):
            assert pin not in text, file


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps a user's folders private")
def test_only_the_owner_may_look_inside(shop: Path) -> None:
    for path in (people_dir(), people_dir() / "pins", keys_dir()):
        assert stat.S_IMODE(path.stat().st_mode) == 0o700, path
    found = [*people_dir().rglob("*.json*"), keys_dir() / roll.HEAD_NAME]
    assert len(found) == len(PINS) + 2
    for path in found:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def lines() -> list[bytes]:
    return roll.log_path().read_bytes().splitlines(keepends=True)


def put(kept: list[bytes]) -> None:
    roll.log_path().write_bytes(b"".join(kept))


def without_the_last(clock: Clock) -> None:
    put(lines()[:-2])


def without_one(clock: Clock) -> None:
    put(lines()[:2] + lines()[3:])


def reordered(clock: Clock) -> None:
    old = lines()
    put([*old[:1], old[2], old[1], *old[3:]])


def one_more(clock: Clock) -> None:
    put([*lines(), lines()[-1]])


def other_role(clock: Clock) -> None:
    put([line.replace(b'"trainer"', b'"quality-lead"') for line in lines()])


def no_log(clock: Clock) -> None:
    roll.log_path().unlink()


def no_head(clock: Clock) -> None:
    roll.head_path().unlink()


def other_head(clock: Clock) -> None:
    """A forger's head: it fits the cut log, and lacks the shop's signature."""
    told = json.loads(roll.head_path().read_bytes())
    kept = lines()[:-1]
    put(kept)
    told["line"] = kept[-1].decode().rstrip("\n")
    told["start"] = sum(map(len, kept[:-1]))
    text = json.dumps(told, separators=(",", ":"), ensure_ascii=False)
    roll.head_path().write_text(text + "\n", encoding="utf-8")


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize(
    "tamper",
    [
        *(without_the_last, without_one, reordered, one_more, other_role, no_log),
        *(no_head, other_head),
    ],
)
def test_a_changed_record_is_found_and_shows_nobody(
    tamper: Callable[[Clock], None], clock: Clock
) -> None:
    with pytest.raises(RefusedError):
        prove(LEAD, Act.KEYS, says("wrong-1"), utc_ns=clock)
    tamper(clock)
    for ask in (
        lambda: the_roll(),
        lambda: prove(LEAD, Act.KEYS, knows, utc_ns=clock),
        lambda: persons.begin("X", [Role.QUALITY_LEAD], [], "kelp-99", utc_ns=clock),
    ):
        with pytest.raises(IntegrityError) as found:
            ask()
        assert found.value.id == "people_changed"
        assert found.value.exit_code == 5


@pytest.mark.usefixtures("shop")
def test_every_byte_of_record_and_head_counts() -> None:
    for path in (roll.log_path(), roll.head_path()):
        data = path.read_bytes()
        for at in range(0, len(data), max(1, len(data) // 150)):
            changed = bytearray(data)
            changed[at] ^= 1
            path.write_bytes(changed)
            with pytest.raises(IntegrityError, match="people_changed"):
                the_roll()
        path.write_bytes(data)
    assert the_roll() is not None


@pytest.mark.usefixtures("shop")
def test_another_pin_put_in_place_lets_nobody_in(clock: Clock) -> None:
    path = people_dir() / "pins" / f"{member(LEAD).pin}.json"
    path.write_bytes(pins.kept("mine-4417"))
    with pytest.raises(IntegrityError, match="people_changed"):
        prove(LEAD, Act.KEYS, says("mine-4417"), utc_ns=clock)
    path.unlink()
    with pytest.raises(IntegrityError, match="people_changed"):
        prove(LEAD, Act.KEYS, knows, utc_ns=clock)


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize("left", [0, 1, 40, None])
def test_what_a_writer_that_died_did_not_finish_is_finished(
    left: int | None, clock: Clock
) -> None:
    whole = lines()
    tail = whole[-1] if left is None else whole[-1][:left]
    put([*whole[:-1], tail])
    found = the_roll()
    assert found is not None
    assert found.member(TRAINER) is not None
    prove(LEAD, Act.KEYS, knows, utc_ns=clock)
    assert lines()[: len(whole)] == whole


ADD = """
import sys
from proofstand.signoff import persons, pins
from records.people import Role
pins.COST = pins.Cost(16, 1, 1)
for n in range(6):
    persons.add({lead!r}, lambda _: {pin!r}, f"{{sys.argv[1]}} {{n}}",
                [Role.TECHNICIAN], ["propane"], "kelp-9921")
"""


@pytest.mark.serial
@pytest.mark.usefixtures("shop")
def test_two_programs_add_people_at_once() -> None:
    program = ADD.format(lead=LEAD, pin=PINS[LEAD])
    both = [
        subprocess.Popen([sys.executable, "-c", program, name], stderr=subprocess.PIPE)
        for name in ("Anna", "Béla")
    ]
    for each in both:
        said = each.communicate(timeout=120)[1]
        assert each.returncode == 0, said.decode()
    found = the_roll()
    assert found is not None
    wanted = {name_key(f"{name} {n}") for name in ("Anna", "Béla") for n in range(6)}
    assert wanted <= set(found.members)
    record = roll.read()
    assert record is not None
    assert [event.n for event in record.events] == list(range(len(record.events)))


BEGIN = """
import sys
from proofstand.signoff import persons, pins
from records.people import Role
pins.COST = pins.Cost(16, 1, 1)
persons.begin(sys.argv[1], [Role.QUALITY_LEAD], ["any"], "kelp-9921")
"""


@pytest.mark.serial
def test_two_programs_begin_the_list_at_once(bench_key: Path) -> None:
    own_key(bench_key)
    both = [
        subprocess.Popen([sys.executable, "-c", BEGIN, name], stderr=subprocess.PIPE)
        for name in ("Anna", "Béla")
    ]
    said = [each.communicate(timeout=120)[1] for each in both]
    assert sorted(each.returncode for each in both) == [0, 1]
    assert any(b"roll_begun" in text for text in said)
    found = the_roll()
    assert found is not None
    assert len(found.members) == 1


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize(
    "name",
    ["山田 太郎", "Ελένη Παπά", "محمد علي", 'O\'Neil "Red" / Sons', "И. Ж.", "x" * 96],
)
def test_names_in_any_script(name: str, clock: Clock) -> None:
    persons.add(LEAD, knows, name, [Role.SIGNATORY], ["any"], "kelp-9921", utc_ns=clock)
    who = prove(f" {name} ", Act.CERTIFY, says("kelp-9921"), utc_ns=clock)
    assert who.name == name


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize("name", ["", "  ", "a\nb", "a\x00b", "x" * 97, "\u202eabc"])
def test_names_that_can_t_stand_on_paper(name: str, clock: Clock) -> None:
    with pytest.raises(InputError, match="value_wrong"):
        persons.add(LEAD, knows, name, [Role.SIGNATORY], [], "kelp-9921", utc_ns=clock)


@pytest.mark.usefixtures("shop")
@pytest.mark.parametrize("gas", ["", " ", "a,b", "x\ny"])
def test_gases_that_are_none(gas: str, clock: Clock) -> None:
    with pytest.raises(InputError, match="value_wrong"):
        persons.change(LEAD, knows, HAND, gases=[gas], utc_ns=clock)


def test_places_that_can_t_be_written_or_read(
    bench_key: Path, own_places: Path, monkeypatch: pytest.MonkeyPatch, clock: Clock
) -> None:
    own_key(bench_key)
    people_dir().write_text("not a folder")
    with pytest.raises(InputError, match=r"file_un(writ|read)able"):
        persons.begin("X", [Role.QUALITY_LEAD], [], "kelp-9921", utc_ns=clock)
    people_dir().unlink()
    people(monkeypatch, clock)
    roll.log_path().unlink()
    roll.log_path().mkdir()
    with pytest.raises(InputError, match="file_unreadable"):
        the_roll()


@pytest.mark.usefixtures("shop")
def test_a_full_disk_lets_nobody_guess_for_nothing(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(roll, "_replace", full)
    with pytest.raises(InputError, match="No space left"):
        prove(LEAD, Act.KEYS, knows, utc_ns=clock)


@pytest.mark.usefixtures("shop")
def test_a_busy_folder_is_told(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    from proofstand.signoff import lock

    with roll.writing(clock), pytest.raises(InputError, match="folder_busy"):
        with lock.locked(people_dir(), 0.05):
            pass


def test_a_roll_is_a_fold() -> None:
    events = [
        roll.Event(
            n=0, utc_ns=5, by="A", act=roll.BEGIN, who="A",
            facts={"roles": "quality-lead", "gases": "any", "pin": "p"},
        ),
        roll.Event(n=1, utc_ns=6, by="A", act=roll.TRY, who="A", facts={}),
        roll.Event(n=2, utc_ns=7, by="A", act=roll.DID, who="A", facts={}),
    ]  # fmt: skip
    found = roll.folded(events)
    assert isinstance(found, Roll)
    assert found.begun_ns == 5
    told = found.members["a"]
    assert (told.wrong, told.tried_ns, told.pin) == (1, 6, "p")
    assert replace(told, wrong=0).role_for(Act.KEYS) is Role.QUALITY_LEAD


# --- commands ------------------------------------------------------------------------


def pin_file(folder: Path, pin: str, name: str = "pin") -> Path:
    path = folder / name
    path.write_text(pin + "\nnot this line\n", encoding="utf-8")
    return path


def test_a_list_is_begun_and_grows(call: Call, tmp_path: Path, bench_key: Path) -> None:
    own_key(bench_key)
    code, said, _ = call("people", "list")
    assert code == 0
    assert "names are taken as typed" in said
    lead, new = pin_file(tmp_path, PINS[LEAD]), pin_file(tmp_path, "fjord-118", "new")
    first = ("people", "add", LEAD, "--role", "quality-lead", "--gas", "any")
    code, _, err = call(*first)
    assert code == 6
    assert "PIN" in err
    code, said, err = call(*first, "--new-pin-from", lead)
    assert code == 0, err
    second = ("people", "add", HAND, "--role", "technician", "--gas", "propane")
    assert call(*second, "--new-pin-from", new)[0] == 6
    code, said, err = call(
        *second, "--by", LEAD, "--pin-from", lead, "--new-pin-from", new
    )
    assert code == 0, err
    assert f"{HAND} is on the list: technician; gases: propane" in said
    by = ("--by", LEAD, "--pin-from", lead)
    assert call("people", "gases", HAND, "--gas", "butane", *by)[0] == 0
    assert call("people", "roles", HAND, "--role", "signatory", *by)[0] == 0
    code, said, _ = call("people", "show", HAND)
    assert "signatory; gases: butane" in said
    assert f"{LEAD}: roles {HAND} (roles signatory)" in said
    code, said, err = call("people", "pin", HAND, "--reset", *by, "--new-pin-from", new)
    assert code == 0, err
    assert call("people", "retire", HAND, "--why", "left", *by)[0] == 0
    code, said, _ = call("people", "list")
    assert "; left 20" in said
    for pin in (PINS[LEAD], "fjord-118"):
        assert pin not in said + call("people", "record")[1]


@pytest.mark.usefixtures("shop")
def test_what_is_printed_for_programs_follows_its_schema(call: Call) -> None:
    for arguments, name in (
        (("people", "list"), "people-list-1"),
        (("people", "record"), "people-record-1"),
        (("people", "show", LEAD), "person-1"),
    ):
        code, said, err = call(*arguments, "--json")
        assert code == 0, err
        told: dict[str, Any] = json.loads(said)
        schema = json.loads(
            (ROOT / "docs" / "schemas" / f"{name}.json").read_text("utf-8")
        )
        jsonschema.validate(told, schema)
        assert "pin" not in re.findall(r'"(\w+)":', said)


@pytest.mark.usefixtures("shop")
def test_a_changed_record_ends_with_five(call: Call) -> None:
    roll.head_path().unlink()
    code, _, err = call("people", "list")
    assert code == 5
    assert "not as it was written" in err


def test_pins_by_a_pipe_are_read_line_by_line(shop: Path) -> None:
    command = [sys.executable, "-m", "proofstand", "people", "pin", HAND]
    command += ["--pin-from", "-", "--new-pin-from", "-"]
    done = subprocess.run(
        command,
        input=f"{PINS[HAND]}\nfjord-118\n",
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert prove(HAND, Act.TEST, says("fjord-118")).name == HAND


@pytest.mark.usefixtures("shop")
def test_pins_are_typed_unseen_and_twice(
    call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    answers = [PINS[HAND], "fjord-118", "fjord-117"]

    def typed(prompt: str) -> str:
        asked.append(prompt)
        return {"New": "fjord-118", "Aga": "fjord-117"}.get(prompt[:3], answers[0])

    monkeypatch.setattr(getpass, "getpass", typed)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    code, _, err = call("people", "pin", HAND)
    assert code == 2
    assert "not the same" in err
    assert asked[0].startswith(f"New PIN of {HAND}")


@pytest.mark.tree
def test_no_command_takes_a_pin_as_an_option() -> None:
    found = set()
    for file in (ROOT / "proofstand" / "commands").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(
                "add_argument"
            ):
                names = [a.value for a in node.args if isinstance(a, ast.Constant)]
                found |= {str(n) for n in names if "pin" in str(n) or "pass" in str(n)}
    assert found == {"--pin-from", "--new-pin-from", "--password-from"}


def test_a_file_with_a_pin_that_can_t_be_read(
    call: Call, shop: Path, tmp_path: Path
) -> None:
    (tmp_path / "latin").write_bytes(b"caf\xe9-1234\n")
    for name, wanted in (("none", "There is no"), ("latin", "not a file with a PIN")):
        code, _, err = call(
            "people", "retire", HAND, "--why", "x", "--by", LEAD,
            "--pin-from", tmp_path / name,
        )  # fmt: skip
        assert code == 2
        assert wanted in err
