"""One loop for all stations: each gets the columns of its own channels."""

from __future__ import annotations

import numpy as np
import pytest

from records.errors import InputError
from records.trace import Block
from rig.fanout import FanOut
from rig.rigfile import parse_rig

from .test_rigfile import TWO


def test_each_station_gets_its_channels_in_its_own_order() -> None:
    rig = parse_rig(TWO, "rig")
    assert [c.id for c in rig.columns("manifold")] == ["outlet", "outlet-b", "supply"]
    raw = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]])
    flags = np.array([[0, 1, 2], [0, 0, 4]], np.uint8)
    block = Block(1, "manifold", np.array([10, 20]), raw, flags)
    found = dict(FanOut(rig, ["B", "A"]).blocks(block))
    assert found["A"].raw.tolist() == [[1.0, 3.0], [4.0, 6.0]]
    assert found["A"].flags.tolist() == [[0, 2], [0, 4]]
    assert found["B"].raw.tolist() == [[2.0, 3.0], [5.0, 6.0]]
    assert found["B"].t_ns.tolist() == [10, 20]
    assert [s for s, _ in FanOut(rig, ["B"]).blocks(block)] == ["B"]


def test_an_unknown_station_is_refused() -> None:
    with pytest.raises(InputError, match="rig_station_unknown"):
        FanOut(parse_rig(TWO, "rig"), ["C"])
