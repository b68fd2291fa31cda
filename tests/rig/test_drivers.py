"""Drivers of other makers: the documented one, and ones that fail."""

from __future__ import annotations

import re
import sys
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError, RigError
from records.rig import Rig
from records.trace import Flag
from rig.acquisition import Acquisition, open_instruments
from rig.clock import HostClock
from rig.instruments.external import GROUP
from rig.rigfile import parse_rig

pytestmark = pytest.mark.tree

DOC = (Path(__file__).parents[2] / "docs" / "drivers.md").read_text("utf-8")
CODE = re.search(r"```python\n(.*?)```", DOC, re.S)
DECLARED = re.search(r"(\[\[instruments\]\].*?)```", DOC, re.S)
assert CODE is not None
assert DECLARED is not None

CHANNEL = """
[[channels]]
id = "{id}"
role = "{id}"
station = "A"
instrument = "box"
unit = "Pa gauge"
span = ["-1 Pa gauge", "{top} Pa gauge"]
resolution = "1 Pa difference"
"""


def rig_of(driver: str = "counting-box", top: int = 1000) -> Rig:
    assert DECLARED is not None
    return parse_rig(
        'format = "proofstand.rig/1"\nid = "b"\n[[stations]]\nid = "A"\n'
        + DECLARED[1].replace("counting-box", driver)
        + CHANNEL.format(id="one", top=top)
        + CHANNEL.format(id="two", top=top),
        "rig.toml",
    )


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Install the documented driver the way a wheel does."""
    assert CODE is not None
    (tmp_path / "counting_box.py").write_text(CODE[1])
    broken = "def open_box(*_):\n    raise OSError('no such box')\n"
    (tmp_path / "broken_box.py").write_text(broken)
    info = tmp_path / "counting_box-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Name: counting-box\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        f"[{GROUP}]\ncounting-box = counting_box:open_box\n"
        "broken-box = broken_box:open_box\nlost-box = no_such_module:open_box\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    for name in ("counting_box", "broken_box"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    return tmp_path


def test_the_documented_driver_is_about_thirty_lines() -> None:
    assert CODE is not None
    assert len(CODE[1].splitlines()) <= 36


def test_the_documented_driver_is_found_and_read(installed: Path) -> None:
    clock = HostClock()
    instruments = open_instruments(rig_of(), clock)
    acquisition = Acquisition(1, instruments, clock)
    blocks = list(islice(acquisition.blocks(), 3))
    raw = np.concatenate([b.raw for b in blocks])
    np.testing.assert_array_equal(raw[:, 0], 8.0 + np.arange(len(raw)))
    np.testing.assert_array_equal(raw[:, 1], raw[:, 0])
    assert not any(b.flags.any() for b in blocks)
    for instrument in instruments:
        instrument.close()


def test_the_recorder_looks_at_a_driver_s_ranges(installed: Path) -> None:
    clock = HostClock()
    instruments = open_instruments(rig_of(top=10), clock)
    acquisition = Acquisition(1, instruments, clock)
    blocks = list(islice(acquisition.blocks(), 3))
    flags = np.concatenate([b.flags[:, 0] for b in blocks])
    assert flags[:2].tolist() == [0, 0]
    assert set(flags[3:].tolist()) == {int(Flag.SATURATED)}


def test_a_driver_that_is_not_installed(installed: Path) -> None:
    with pytest.raises(InputError) as caught:
        open_instruments(rig_of("counting-bok"), HostClock())
    assert caught.value.id == "driver_unknown"
    assert "counting-box" in caught.value.facts["known"]


@pytest.mark.parametrize(
    ("driver", "why"), [("broken-box", "no such box"), ("lost-box", "no_such_module")]
)
def test_a_driver_that_fails(installed: Path, driver: str, why: str) -> None:
    with pytest.raises(RigError) as caught:
        open_instruments(rig_of(driver), HostClock())
    assert caught.value.id == "driver_failed"
    assert why in caught.value.facts["why"]


def test_a_driver_that_fails_while_reading(
    installed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = HostClock()
    (instrument,) = open_instruments(rig_of(), clock)
    monkeypatch.setattr(instrument._instrument, "read", lambda: 1 / 0)  # type: ignore[attr-defined]
    with pytest.raises(RigError, match="driver_failed"):
        instrument.read()
