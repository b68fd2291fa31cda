"""A stored run played again: the same samples, at any pace."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError, RigError
from records.run import Run
from records.runfile import open_run
from records.trace import Block
from rig.acquisition import Acquisition, open_instruments
from rig.rigfile import parse_rig
from tests.simulated_runs import RunOf
from tests.step_clock import StepClock

HEAD = """format = "proofstand.rig/1"
id = "again"
simulated = true
time_multiple = 50.0

[[stations]]
id = "A"

[[instruments]]
id = "player"
protocol = "replay"
stored = { run = "run.h5", instrument = "rig-io" }
period = "50 ms"
timeout = "1 s"
"""
CHANNEL = """
[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "player"
unit = "{unit}"
span = {span}
resolution = "{resolution}"
scale = {scale}
"""
OUTLET = CHANNEL.format(
    id="outlet",
    unit="Pa gauge",
    span='["-500 Pa gauge", "10 kPa gauge"]',
    resolution="0.2 Pa difference",
    scale=0.2,
)
AMBIENT = CHANNEL.format(
    id="ambient",
    unit="kPa absolute",
    span='["80 kPa absolute", "120 kPa absolute"]',
    resolution="1 Pa difference",
    scale=1.0,
)


@pytest.fixture(scope="module")
def stored(run_of: RunOf, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Run]:
    folder = tmp_path_factory.mktemp("stored")
    shutil.copy(run_of(), folder / "run.h5")
    return folder, open_run(folder / "run.h5")


def played(text: str, folder: Path) -> tuple[list[Block], Acquisition, RigError]:
    clock = StepClock(3_000_000_000)
    instruments = open_instruments(parse_rig(text, "rig.toml"), clock, folder)
    acquisition = Acquisition(1, instruments, clock)
    blocks: list[Block] = []
    with pytest.raises(RigError) as caught:
        blocks.extend(acquisition.blocks())
    return blocks + acquisition.flush(), acquisition, caught.value


def test_the_samples_are_those_on_record(stored: tuple[Path, Run]) -> None:
    folder, run = stored
    blocks, acquisition, end = played(HEAD + OUTLET + AMBIENT, folder)
    assert end.id == "replay_ended"
    samples = run.samples[1, "rig-io"]
    columns = [c.id for c in run.header.rig.columns("rig-io")]
    np.testing.assert_array_equal(
        np.concatenate([b.t_ns for b in blocks]), samples.t_ns
    )
    raw = np.concatenate([b.raw for b in blocks])
    flags = np.concatenate([b.flags for b in blocks])
    for column, id in enumerate(("outlet", "ambient")):
        was = columns.index(id)
        np.testing.assert_array_equal(raw[:, column], samples.raw[:, was])
        np.testing.assert_array_equal(flags[:, column], samples.flags[:, was])
    assert acquisition.counts.failed == 1
    origin = run.parts[0].origins["rig-io"]
    assert acquisition.part.origins["player"] == pytest.approx(origin, abs=60_000_000)
    assert acquisition.incidents() == []


@pytest.mark.parametrize(
    ("good", "bad", "known"),
    [
        ('"rig-io"', '"rig-oi"', "rig-io"),
        ('instrument = "rig-io"', 'instrument = "rig-io", part = 2', "part 1"),
    ],
)
def test_what_the_run_does_not_have(
    stored: tuple[Path, Run], good: str, bad: str, known: str
) -> None:
    with pytest.raises(InputError) as caught:
        played((HEAD + OUTLET).replace(good, bad), stored[0])
    assert caught.value.id == "replay_nothing"
    assert known in caught.value.facts["known"]


def test_a_channel_that_the_run_does_not_have(stored: tuple[Path, Run]) -> None:
    text = HEAD + OUTLET.replace('id = "outlet"', 'id = "outlet-2"')
    with pytest.raises(InputError) as caught:
        played(text, stored[0])
    assert caught.value.facts["given"] == "outlet-2"


def test_no_such_run(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="file_missing"):
        played(HEAD + OUTLET, tmp_path)


def test_a_replay_is_no_test_of_a_regulator() -> None:
    text = HEAD.replace("simulated = true\ntime_multiple = 50.0\n", "")
    with pytest.raises(InputError) as caught:
        parse_rig(text + OUTLET, "rig.toml")
    assert caught.value.id == "rig_replay_real"
