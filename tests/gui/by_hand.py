"""Scripted hands that work a drill at its rig as a trainee would, through the desk."""

from __future__ import annotations

import time
from collections.abc import Callable

from gui.practice_desk.at_the_rig import AtTheRig
from proofstand.hand_worked import FIXTURES
from rig.simulator.families import FAMILIES
from rig.simulator.hands import Hands, manner_for

_BEAT_S = 0.01


class Trainee:
    """Looks at what is asked and what is read, and moves handles.

    Args:
        rig: what is worked.
        family: of the regulator.
    """

    def __init__(self, rig: AtTheRig, family: str = "second-stage") -> None:
        self._rig = rig
        self._hands = Hands(3, manner=manner_for(FAMILIES[family]))
        self._names = {number: name for name, number in FIXTURES.items()}

    def act(self) -> None:
        """Do the next bit."""
        presenter = self._rig.presenter
        seen = {}
        for id, live in self._rig.channels.items():
            now = live.now(live.history.last_s)
            if now is not None:
                seen[id] = now
        moves = self._hands.act(presenter._now_s, presenter._request, seen)
        for name, position in moves.valves.items():
            if name == "fixture":
                self._rig.fit(self._names[int(position)])
            elif name in self._rig.shares:
                valve = next(v for v in self._rig.valves if v.name == name)
                share = position / valve.most
                self._rig.move(name, share ** (1.0 / 3.0) if valve.bent else share)
        if moves.acknowledge is not None:
            self._rig.confirm()
        elif presenter._request is not None and presenter._request.confirm:
            if self._hands._doing is None:
                self._rig.confirm()


def worked(
    rig: AtTheRig, until: Callable[[], bool], beat: Callable[[], object], most_s: float
) -> None:
    """Work a rig until something is so, at most so long.

    Args:
        rig: what is worked. until: asked after each bit.
        beat: lets the window take what came.
        most_s: wall time.
    """
    trainee, end = Trainee(rig), time.monotonic() + most_s
    while not until() and time.monotonic() < end:
        beat()
        if not rig.over:
            trainee.act()
        time.sleep(_BEAT_S)
