"""What is refused before anything is opened, and what does not verify as whole."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest

from proofstand.display import MOST_SHOWN, plain
from proofstand.procedure.engine import prepared_plan
from proofstand.signoff.verify import Paper, Verified, belongs
from proofstand.simulated import JOB_TEXT, demo_job
from records.errors import InputError, IntegrityError, RefusedError
from records.jobfile import load_job
from records.measure import parse_quantity
from records.planfile import builtin_plan, parse_plan
from records.runfile import check_place

DOC = Path(__file__).parents[2] / "docs" / "job-card.md"


def test_the_documented_job_card(tmp_path: Path) -> None:
    block = re.findall(r"```toml\n(.*?)```", DOC.read_text("utf-8"), re.S)[0]
    path = tmp_path / "job.toml"
    path.write_text(block, "utf-8")
    job = load_job(path)
    assert job.purged
    assert prepared_plan(builtin_plan("low-pressure")[0], job).step("set") is not None


def test_a_set_pressure_beyond_the_nameplate_is_refused(tmp_path: Path) -> None:
    assert 'set_pressure = "11.0 in. w.c. gauge"' in JOB_TEXT
    path = tmp_path / "job.toml"
    path.write_text(
        JOB_TEXT.replace(
            'set_pressure = "11.0 in. w.c. gauge"', 'set_pressure = "40 psi gauge"'
        ),
        "utf-8",
    )
    with pytest.raises(InputError, match="value_wrong") as caught:
        load_job(path)
    assert "nameplate" in caught.value.facts["right"]


def test_a_plan_for_another_set_pressure_is_refused() -> None:
    job = replace(demo_job(), set_pressure=parse_quantity("9.5 in. w.c. gauge"))
    with pytest.raises(RefusedError, match="set_pressure_of_another_plan"):
        prepared_plan(builtin_plan("low-pressure")[0], job)


@pytest.mark.parametrize(
    ("good", "bad"),
    [("repeats = 5", "repeats = 0"), ('hold = "180 s"', 'hold = "1e9 s"')],
)
def test_senseless_values_of_a_plan(good: str, bad: str) -> None:
    text = builtin_plan("low-pressure")[1]
    assert good in text
    with pytest.raises(InputError, match="value_wrong") as caught:
        parse_plan(text.replace(good, bad, 1), "p.toml")
    assert caught.value.where.startswith("p.toml:")


def test_a_name_too_long_and_links_in_a_ring_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_unwritable"):
        check_place(tmp_path / ("x" * 300), "run file")
    loop = tmp_path / "loop"
    os.symlink(loop, loop)
    with pytest.raises(InputError, match=r"file_exists|file_unwritable"):
        check_place(loop, "run file")


def _of(what: str, run: str, path: str) -> Verified:
    paper = Paper("n-1", "Certificate", "pass", "2026", "", "shop")
    whole = Verified(Path(path), what, run, "", "hash", 1, 0, "", "unsigned", False)
    return replace(whole, paper=paper) if what == "certificate" else whole


def test_a_certificate_beside_another_run_does_not_verify() -> None:
    paper = _of("certificate", "run-1", "a.pdf")
    assert belongs([paper]) == {}
    assert belongs([paper, _of("run file", "run-1", "a.h5")])
    with pytest.raises(IntegrityError, match="certificate_of_none_given"):
        belongs([paper, _of("run file", "run-2", "b.h5")])


def test_a_text_from_a_file_does_nothing_to_a_terminal() -> None:
    assert plain("a\n  signed\x1b[31m") == "a\\n  signed\\x1b[31m"
    assert len(plain("x" * 60_000)) == MOST_SHOWN
