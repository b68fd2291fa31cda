"""A calibration out of tolerance: which runs, which verdicts, whom to tell, once."""

from __future__ import annotations

import csv
import datetime
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from functools import partial
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from proofstand.bench.calibrate import make_record
from proofstand.bench.points import Points
from proofstand.commands.main import main
from proofstand.keeping.anew import without_errors
from proofstand.keeping.checked import check_archive
from proofstand.keeping.home import home, index_of
from proofstand.keeping.keep import (
    add,
    judgement_item,
    keep_issued,
    notice_item,
    put_items,
)
from proofstand.keeping.recall import GivenError, Wanted, look, look_up
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import PUBLIC_NAME, load_key, make_key
from proofstand.signoff.notices import (
    Says,
    notices_of,
    put_notice,
    read_notice,
    standing,
)
from proofstand.signoff.verify import verify
from records.archive.chain import Archive
from records.calibration import (
    Calibration,
    CalibrationPoint,
    CalibrationRecord,
    Direction,
    FoundError,
    ReferenceInstrument,
    When,
)
from records.calibrationfile import load_record, load_reference, write_record
from records.errors import RefusedError
from records.jobcard import Intake
from records.measure import parse_quantity
from records.planfile import builtin_plan
from records.run import Run
from records.runfile import read_sealed
from tests.simulated_runs import RunOf

from .conftest import SealedRun
from .shop import HAND, LEAD, PINS, SIGNER, real
from .shops import Call, call

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
GOOD, FOUND = datetime.date(2026, 3, 17), datetime.date(2026, 7, 1)
TODAY = datetime.date(2026, 8, 1)
LEVELS = (0.0, 2000.0, 4000.0, 6000.0, 8000.0)  # Pa gauge
# A transducer that reads 4 % high turns a healthy regulator's set pressure, 2.74 kPa,
# into 2.63 kPa, below the plan's 2.687 kPa.
SHARE = 0.04
REFERENCE = """format = "proofstand.reference/1"
id = "R-3"
serial = "invented 0815"
certificate = "5521"
date = 2026-02-01
due = 2027-02-01
range = ["-1 kPa gauge", "10 kPa gauge"]

[[terms]]
name = "certificate"
kind = "offset"
u = "1 Pa difference"
"""


@dataclass(frozen=True)
class Recallable:
    """A shop's archive with runs before, within and after what may be wrong."""

    archive: Archive
    key: Path
    folder: Path

    def option(self) -> list[object]:
        return ["--archive", self.archive.folder]

    @property
    def page(self) -> Path:
        (page,) = self.archive.folder.glob("2026/*-within/certificate-*.pdf")
        return page


def of_day(run: Run, name: str, day: datetime.date, rig: str = "") -> Run:
    """Return a real run of a day, of a customer of its own."""
    run = real(run)
    header, job = run.header, run.header.job
    moment = datetime.datetime.combine(day, datetime.time(9), UTC)
    regulator = replace(job.regulator, serial=f"SN {name}")
    intake = replace(job.intake or Intake(), sender=f"=Customer {name} (invented)")
    return replace(
        run,
        header=replace(
            header,
            id=f"{day:%Y%m%d}T090000-{name}",
            started_utc_ns=int(moment.timestamp()) * 10**9,
            job=replace(job, regulator=regulator, intake=intake, id=f"J-{name}"),
            rig=replace(header.rig, id=rig or header.rig.id),
        ),
        truth=None,
    )


def calibrated(
    run: Run,
    reference: ReferenceInstrument,
    id: str,
    day: datetime.date,
    read: Callable[[float], float] = lambda applied: applied,
    *,
    when: When = "as found",
) -> CalibrationRecord:
    """Return the record of a calibration of the outlet, which reads so as found."""
    channel = run.header.rig.channel_by_id("outlet")
    assert channel is not None
    whens: tuple[When, ...] = ("as left",) if when == "as left" else (when, "as left")
    ways: tuple[tuple[Direction, tuple[float, ...]], ...] = (
        ("up", LEVELS),
        ("down", LEVELS[::-1]),
    )
    points = [
        CalibrationPoint(
            when=each,
            run=1,
            direction=direction,
            applied=applied,
            reading=read(applied) if each == "as found" else applied + 0.2 * (k % 2),
        )
        for each in whens
        for direction, levels in ways
        for k, applied in enumerate(levels)
    ]
    return make_record(
        rig=run.header.rig,
        channel=channel,
        points=Points(points=tuple(points), adjusted=True),
        reference=reference,
        order=1,
        id=id,
        date=day,
        due=day + datetime.timedelta(days=365),
        by=HAND,
    )


@pytest.fixture(scope="session")
def shelf(
    sealed_run: SealedRun,
    run_of: RunOf,
    bench_key: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Recallable:
    folder = tmp_path_factory.mktemp("shelf")
    archive, key = Archive(folder / "archive"), SigningKey(load_key(bench_key))
    for name, day, rig in (
        ("before", datetime.date(2026, 3, 16), ""),
        ("within", datetime.date(2026, 6, 15), ""),
        ("elsewhere", datetime.date(2026, 6, 16), "rig-2"),
        ("after", datetime.date(2026, 7, 2), ""),
    ):
        path = sealed_run(
            key=bench_key,
            change=lambda run, name=name, day=day, rig=rig: of_day(run, name, day, rig),
        )
        papers = []
        if name == "within":
            papers = [folder / f"{name}.pdf"]
            issue(path, papers[0], by=SIGNER, key_folder=bench_key)
        add(archive, [path, *papers], key=key, who=SIGNER)
    run = read_sealed(run_of())
    reference = folder / "R-3.toml"
    reference.write_text(REFERENCE, "utf-8")
    for id, day, share in (("C-0100", GOOD, 0.0), ("C-0200", FOUND, SHARE)):
        made = calibrated(
            run,
            load_reference(reference),
            id,
            day,
            partial(float.__mul__, 1.0 + share),
        )
        write_record(folder / f"{id}.toml", made)
        add(archive, [folder / f"{id}.toml"], key=key, who=HAND)
    add(archive, [reference], key=key, who=HAND)
    return Recallable(archive, bench_key, folder)


@pytest.fixture
def recallable(shelf: Recallable, tmp_path: Path, shop: Path) -> Recallable:
    """Return a copy that a test may change, in a shop with people and their PINs."""
    folder = tmp_path / "archive"
    shutil.copytree(shelf.archive.folder, folder)
    return replace(shelf, archive=Archive(folder))


def signed_by(name: str, folder: Path) -> list[object]:
    pin = folder / "pin"
    pin.write_text(PINS[name], "utf-8")
    return ["--by", name, "--pin-from", pin, "--why", "as found beyond 4 %"]


def all_files(folder: Path) -> dict[Path, bytes]:
    """Return all records in an archive's folder, and its chain."""
    found = (p for p in folder.rglob("*") if p.is_file() and p.name != "chain.lock")
    return {path: path.read_bytes() for path in found}


OF = ("records", "recall", "--calibration", "C-0200")


# --- the error -----------------------------------------------------------------------


def test_an_error_is_taken_off_what_was_read_and_raw_data_stay(run_of: RunOf) -> None:
    run = read_sealed(run_of())
    channel = run.header.rig.channel_by_id("outlet")
    assert channel is not None
    error = FoundError(points=((0.0, 2.0), (1000.0, 42.0), (8000.0, 42.0)))
    other = without_errors(run, {"outlet": error})
    own = other.header.rig.channel_by_id("outlet")
    assert own is not None
    was, now = run.trace(channel, 1).value, other.trace(own, 1).value
    # by hand: 2 Pa at 0, 0.04 Pa more for each Pa up to 1 kPa, then the same for ever
    expected = was - np.clip(2.0 + 0.04 * was, 2.0, 42.0)
    np.testing.assert_allclose(now, expected, rtol=0.0, atol=1e-9)
    assert other.samples is run.samples
    assert run.header.rig.channel_by_id("outlet") == channel


def test_the_error_is_that_of_the_calibration_of_the_run_itself(
    shelf: Recallable,
) -> None:
    record = load_record(shelf.folder / "C-0200.toml")
    plain = record.error_found(None)
    for level in LEVELS:
        shown = np.array([level * (1.0 + SHARE)])
        assert plain.at(shown)[0] == pytest.approx(SHARE * level, abs=1e-9)
    halved = Calibration(
        id="x", date=GOOD, due=FOUND, standard="", coefficients=(5.0, 1.02)
    )
    own = record.error_found(halved)
    for level in LEVELS:
        made = 5.0 + 1.02 * level * (1.0 + SHARE)
        assert own.at(np.array([made]))[0] == pytest.approx(made - level, abs=1e-9)
    good = load_record(shelf.folder / "C-0100.toml").error_found(None)
    assert np.abs(good.at(np.array(LEVELS))).max() < 1e-9


# --- looking -------------------------------------------------------------------------


def test_runs_since_the_last_good_record_are_judged_without_the_error(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    before = all_files(recallable.archive.folder)
    table = tmp_path / "customers.csv"
    code, out, _ = call(*OF, *recallable.option(), "--json", "--customers", table)
    assert code == 0
    told = json.loads(out)
    assert (told["since"], told["until"]) == (str(GOOD), str(FOUND))
    assert told["found"]["good"] == "calibration C-0100"
    (run,) = told["runs"]
    assert run["serial"] == "SN within"
    assert (run["before"], run["after"]) == ("pass", "fail")
    turned = {(f["step"], f["id"]): f for f in run["findings"]}
    assert turned["set", "set_pressure"]["before"] == "pass"
    assert turned["set", "set_pressure"]["after"] == "fail"
    # outside: the healthy regulator's set pressure less 4 of 104 parts, in in. w.c.
    now = float(turned["set", "set_pressure"]["now"].split()[0])
    was = float(turned["set", "set_pressure"]["was"].split()[0])
    assert now == pytest.approx(was / (1.0 + SHARE), abs=0.02)
    (row,) = csv.DictReader(table.read_text("utf-8").splitlines())
    assert row["customer"] == "'=Customer within (invented)"  # no formula
    assert (row["serial"], row["with_error"]) == ("SN within", "fail")
    assert row["paper"] in recallable.page.name
    assert all_files(recallable.archive.folder) == before
    code, out, _ = call(*OF, *recallable.option())
    assert "pass -> FAIL" in out
    assert "=Customer within (invented): SN within, " in out
    assert "Nothing was written" in out


def test_an_error_that_is_given_is_looked_at_the_same_way(
    recallable: Recallable, call: Call
) -> None:
    rig = "simulated-1"
    of = ("records", "recall", "--channel", f"{rig}/outlet", *recallable.option())
    code, out, _ = call(
        *of, "--span", "4 %", "--since", GOOD, "--until", FOUND, "--json"
    )
    assert code == 0
    told = json.loads(out)
    # shown less true is 4 % of what was shown here, of what was true there
    assert [(r["serial"], r["before"], r["after"]) for r in told["runs"]] == [
        ("SN within", "pass", "fail")
    ]
    code, out, _ = call(*of, "--zero", "0.5 Pa difference", "--until", TODAY, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["since"] == str(FOUND)  # the last good one is that of July
    assert [(r["serial"], r["after"]) for r in told["runs"]] == [("SN after", "pass")]
    assert told["customers"] == []
    points = (
        "--at",
        "0 Pa gauge=0 Pa difference",
        "--at",
        "8 kPa gauge=320 Pa difference",
    )
    code, out, _ = call(*of, *points, "--since", GOOD, "--until", FOUND, "--json")
    assert json.loads(out)["runs"][0]["after"] == "fail"


def test_a_reference_leads_to_what_was_calibrated_against_it(
    recallable: Recallable, tmp_path: Path, sealed_run: SealedRun, call: Call
) -> None:
    record = load_record(recallable.folder / "C-0200.toml")

    def newer(run: Run) -> Run:
        run = of_day(run, "newer", datetime.date(2026, 7, 20))
        channels = tuple(
            replace(c, calibration=record.calibration) if c.id == "outlet" else c
            for c in run.header.rig.channels
        )
        rig = replace(run.header.rig, channels=channels)
        return replace(run, header=replace(run.header, rig=rig))

    path = sealed_run(key=recallable.key, change=newer)
    key = SigningKey(load_key(recallable.key))
    add(recallable.archive, [path], key=key, who=SIGNER)
    of = ("records", "recall", "--reference", "R-3", *recallable.option())
    code, out, _ = call(*of, "--span", "4 %", "--until", TODAY, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["since"] == "2026-02-01"
    assert [r["serial"] for r in told["runs"]] == ["SN newer"]
    assert told["runs"][0]["after"] == "fail"


# --- what is refused -----------------------------------------------------------------


def test_a_typo_is_told_with_what_is_known(recallable: Recallable, call: Call) -> None:
    of = ("records", "recall", "--span", "6 %", "--since", "2026-01-01")
    for typo, known in (
        (("--channel", "simulated-1/outlte"), "simulated-1/outlet"),
        (("--channel", "rig-9/outlet"), "rig rig-2, rig simulated-1"),
        (("--reference", "R3"), "are: R-3."),
    ):
        code, out, err = call(*of, *typo, *recallable.option())
        assert code == 6
        assert known in err
        assert "Nobody" not in out


@pytest.mark.parametrize(
    ("options", "code", "id"),
    [
        (("--calibration", "C-0100"), 6, "recall_within"),
        (("--calibration", "C-0300"), 2, "record_unknown"),
        (
            ("--channel", "simulated-1/inlet", "--zero", "1 Pa difference"),
            6,
            "recall_no_good_record",
        ),
        (
            (
                *("--reference", "R-3", "--zero", "1 Pa difference"),
                *("--until", "2026-01-01"),
            ),
            6,
            "recall_no_good_record",
        ),
        *(
            (("--channel", typo, "--span", "6 %", *since), 6, "recall_unknown")
            for typo in ("rig-9/outlet", "simulated-1/outlte")
            for since in ((), ("--since", "2026-01-01"))
        ),
        (
            ("--reference", "R-9", "--span", "6 %", "--since", "2026-01-01"),
            6,
            "recall_unknown",
        ),
        (("--channel", "simulated-1/outlet"), 2, "usage"),
        (("--channel", "outlet", "--span", "1 %"), 2, "value_wrong"),
        (("--calibration", "C-0200", "--span", "1 %"), 2, "usage"),
        (("--calibration", "C-0200", "--by", LEAD), 2, "usage"),
        (("--calibration", "C-0200", "--mark", "--by", LEAD), 2, "value_wrong"),
        (("--calibration", "C-0200", "--until", "2026-03-01"), 2, "value_wrong"),
        (("--channel", "simulated-1/outlet", "--at", "1 Pa gauge"), 2, "value_wrong"),
        (
            (
                "--channel",
                "simulated-1/outlet",
                "--span",
                "1 K",
                "--since",
                "2026-03-17",
            ),
            2,
            "quantity_kind_wrong",
        ),
        (
            (
                "--channel",
                "simulated-1/outlet",
                "--zero",
                "1 K",
                "--since",
                "2026-03-17",
            ),
            6,
            "recall_kind_wrong",
        ),
    ],
    ids=lambda value: str(value)[:40],
)
def test_what_can_t_be_recalled_is_told(
    options: tuple[str, ...], code: int, id: str, recallable: Recallable, call: Call
) -> None:
    found, out, _ = call("records", "recall", *options, *recallable.option(), "--json")
    assert (found, json.loads(out)["id"]) == (code, id)


def test_a_record_without_as_found_tells_nothing(
    recallable: Recallable, run_of: RunOf, tmp_path: Path, call: Call
) -> None:
    reference = load_reference(recallable.folder / "R-3.toml")
    run = read_sealed(run_of())
    made = calibrated(run, reference, "C-0400", FOUND, when="as left")
    path = tmp_path / "C-0400.toml"
    write_record(path, made)
    code, out, _ = call(
        "records", "recall", "--calibration", path, *recallable.option(), "--json"
    )
    assert (code, json.loads(out)["id"]) == (6, "recall_not_taken")


def test_a_damaged_run_is_named_and_the_others_are_judged(
    recallable: Recallable, call: Call, sealed_run: SealedRun
) -> None:
    (run,) = recallable.archive.folder.glob("2026/*-within/run.h5")
    other = sealed_run(
        key=recallable.key,
        change=lambda r: of_day(r, "whole", datetime.date(2026, 6, 20)),
    )
    key = SigningKey(load_key(recallable.key))
    add(recallable.archive, [other], key=key, who=SIGNER)
    data = bytearray(run.read_bytes())
    data[len(data) // 2] ^= 1
    run.chmod(0o644)
    run.write_bytes(data)
    code, out, _ = call(*OF, *recallable.option(), "--json")
    told = json.loads(out)
    assert code == 5
    assert [(r["serial"], r["after"]) for r in told["runs"]] == [
        ("SN whole", "fail"),
        ("SN within", None),
    ]
    assert [t["id"] for t in told["troubles"]] == ["run_changed"]
    assert {c["serial"] for c in told["customers"]} == {"SN whole", "SN within"}
    code, out, _ = call(*OF, *recallable.option())
    assert code == 5
    assert "CAN'T BE JUDGED" in out


def test_each_paper_is_looked_at_by_the_plan_that_it_stands_by(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    # a wider plan, by which the regulator passes with the error and without it
    text = builtin_plan("low-pressure")[1].replace("version = 1", "version = 2", 1)
    wider = tmp_path / "wider.toml"
    wider.write_text(re.sub(r'min = "10\.8 in', 'min = "9.8 in', text), "utf-8")
    assert wider.read_text("utf-8").count("9.8 in") >= 1
    first = recallable.page.stem.removeprefix("certificate-")
    run, page = recallable.page.with_name("run.h5"), tmp_path / "second.pdf"
    issue(
        run,
        page,
        by=SIGNER,
        ask=lambda name: PINS[name],
        key_folder=recallable.key,
        plan_name=str(wider),
        keep=lambda pdf, _: keep_issued(
            recallable.archive,
            run,
            pdf,
            key=SigningKey(load_key(recallable.key)),
            who=SIGNER,
            plan=wider.read_text("utf-8"),
        ),
    )
    table = tmp_path / "customers.csv"
    more = ("--every", "--json", "--customers", table)
    assert call(*OF, *recallable.option(), *more)[0] == 0
    rows = list(csv.DictReader(table.read_text("utf-8").splitlines()))
    found = {row["paper"]: (row["verdict"], row["with_error"]) for row in rows}
    second = verify(page).paper
    assert second is not None
    assert found == {first: ("pass", "fail"), second.number: ("pass", "pass")}
    lines = call(*OF, *recallable.option(), "--every")[1]
    assert "1 runs lean on it: 1 verdicts would come out another" in lines


def test_a_judgement_by_a_plan_that_is_not_there_is_told(
    recallable: Recallable, call: Call
) -> None:
    (path,) = recallable.archive.folder.glob("2026/*-within/judgement-001.json")
    told = json.loads(path.read_bytes())
    told["judgements"][0]["plan"] |= {"sha256": "0" * 64, "version": 7}
    run = read_sealed(path.parent / "run.h5")
    data = json.dumps(told).encode()
    made = recallable.archive.stage(data, "judgement")
    key = SigningKey(load_key(recallable.key))
    item = judgement_item(run, data, made)
    put_items(recallable.archive, [item], key, SIGNER, lambda: 1)
    code, out, _ = call(*OF, *recallable.option(), "--json")
    assert code == 0
    (trouble,) = json.loads(out)["troubles"]
    assert trouble["id"] == "judgement_plan_not_kept"
    assert "version 7" in trouble["what"]


# --- signing for it ------------------------------------------------------------------


def test_a_lead_puts_papers_under_review_once_and_it_is_on_record(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    marks = (*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path))
    code, out, _ = call(*marks, "--json")
    assert code == 0
    told = json.loads(out)
    (notice,) = notices_of(recallable.page)
    assert notice.says == Says.UNDER_REVIEW
    assert told["marked"]["new"] == [notice.certificate]
    assert told["recall"] in notice.why
    assert (notice.by, notice.proof) == (LEAD, "PIN")
    record = Path(told["marked"]["record"])
    noted = json.loads(record.read_bytes())
    schema = json.loads((ROOT / "docs/schemas/recall-1.json").read_text("utf-8"))
    jsonschema.validate(noted, schema)
    assert noted["runs"] == told["runs"]
    assert noted["marked"] == [notice.certificate]
    assert noted["by"]["name"] == LEAD
    public = recallable.key / PUBLIC_NAME
    checked = check_archive(recallable.archive, [public])
    assert checked.troubles == ()
    assert (checked.counted["notice"], checked.counted["recall"]) == (1, 1)
    code, out, _ = call("verify", recallable.page, record, "--key", public)
    assert code == 6
    assert "UNDER REVIEW" in out
    assert "1 papers put under review" in out
    code, out, _ = call("people", "record")
    assert "recall a calibration" in out
    # again: nothing more
    code, out, _ = call(*marks, "--json")
    assert code == 0
    assert json.loads(out)["marked"]["before"] == [notice.certificate]
    assert len(notices_of(recallable.page)) == 1
    assert len(list(record.parent.iterdir())) == 1
    # after the review ended it does not begin again by itself
    put_notice(
        recallable.page,
        Says.REVIEW_ENDED,
        "tested again",
        by=LEAD,
        ask=lambda name: PINS[name],
        key_folder=recallable.key,
    )
    call(*marks)
    assert standing(notices_of(recallable.page)) == ""


def test_what_came_in_since_is_added_to_the_recall(
    recallable: Recallable, call: Call, tmp_path: Path, sealed_run: SealedRun
) -> None:
    marks = (*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path), "--json")
    first = json.loads(call(*marks)[1])["marked"]
    run = sealed_run(
        key=recallable.key,
        change=lambda r: of_day(r, "late", datetime.date(2026, 6, 20)),
    )
    page = tmp_path / "late.pdf"
    issue(
        run,
        page,
        by=SIGNER,
        key_folder=recallable.key,
        ask=lambda name: PINS[name],
    )
    key = SigningKey(load_key(recallable.key))
    add(recallable.archive, [run, page], key=key, who=SIGNER)
    told = json.loads(call(*marks)[1])["marked"]
    assert len(told["new"]) == 1
    assert told["before"] == first["new"]
    assert told["record"].endswith("recall-002.json")
    assert check_archive(recallable.archive, [recallable.key]).troubles == ()


def test_only_a_lead_signs_for_a_recall(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    for name, id in ((SIGNER, "role_wanted"), (HAND, "role_wanted")):
        code, out, _ = call(
            *OF, *recallable.option(), "--mark", *signed_by(name, tmp_path), "--json"
        )
        assert (code, json.loads(out)["id"]) == (6, id)
    wrong = signed_by(LEAD, tmp_path)
    (tmp_path / "pin").write_text("not it", "utf-8")
    code, out, _ = call(*OF, *recallable.option(), "--mark", *wrong, "--json")
    assert (code, json.loads(out)["id"]) == (6, "pin_wrong")
    assert notices_of(recallable.page) == ()
    assert not (recallable.archive.folder / "shop" / "recall").exists()


def test_a_recall_that_is_stopped_leaves_all_or_nothing(
    recallable: Recallable,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    call: Call,
) -> None:
    marks = (*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path), "--json")

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Archive, "_commit", stop)
        assert main([str(a) for a in marks]) == 130
    assert notices_of(recallable.page) == ()
    assert check_archive(recallable.archive, [recallable.key]).troubles == ()
    with monkeypatch.context() as patched:
        # the head stands, and the program dies before the files have their places
        patched.setattr(Archive, "_put", stop)
        assert main([str(a) for a in marks]) == 130
    assert notices_of(recallable.page) == ()
    code, out, _ = call(*marks)
    assert code == 0
    told = json.loads(out)["marked"]
    assert (len(told["new"]), len(told["before"])) == (0, 1)
    assert len(notices_of(recallable.page)) == 1
    assert check_archive(recallable.archive, [recallable.key]).troubles == ()


def test_a_paper_that_gets_no_notice_is_named(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    make_key(tmp_path / "other", "another shop (invented)")
    marks = (*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path), "--json")
    code, out, _ = call(*marks, "--key", tmp_path / "other")
    assert code == 0
    (left,) = json.loads(out)["marked"]["not_marked"]
    assert left["why"] == "signature_wrong"
    put_notice(
        recallable.page,
        Says.REPLACED,
        "made anew",
        by=LEAD,
        ask=lambda name: PINS[name],
        key_folder=recallable.key,
        replaced_by="X-1",
    )
    code, out, _ = call(
        *OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path), "--json"
    )
    assert code == 0
    (left,) = json.loads(out)["marked"]["not_marked"]
    assert left["why"] == "replaced"
    code, out, _ = call(*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path))
    assert "NOT marked" in out


def test_a_notice_of_another_certificate_in_the_archive_is_found(
    recallable: Recallable, call: Call, tmp_path: Path
) -> None:
    call(*OF, *recallable.option(), "--mark", *signed_by(LEAD, tmp_path))
    (place,) = recallable.page.parent.glob("*.notice-001.json")
    made = recallable.archive.stage(place.read_bytes(), "notice")
    (other,) = recallable.archive.folder.glob("2026/*-after")
    page = other.relative_to(recallable.archive.folder) / recallable.page.name
    notice = read_notice(place)
    item = notice_item(notice, page, other.name, made)
    key = SigningKey(load_key(recallable.key))
    put_items(recallable.archive, [item], key, LEAD, lambda: 1)
    (trouble,) = check_archive(recallable.archive, [recallable.key]).troubles
    assert trouble.id == "notice_changed"


def test_looking_needs_no_people_and_marks_need_a_name(
    shelf: Recallable, tmp_path: Path
) -> None:
    where = home(shelf.archive.folder, f"sqlite:///{tmp_path / 'index.sqlite'}")
    with index_of(where) as index:
        wanted = Wanted(
            rig="simulated-1",
            channel="outlet",
            error=GivenError(zero=parse_quantity("1 Pa gauge")),
            since=GOOD,
            until=FOUND,
        )
        found = look_up(index, shelf.archive, wanted, TODAY)
        with pytest.raises(RefusedError, match="recall_kind_wrong"):
            look(index, shelf.archive, found)
