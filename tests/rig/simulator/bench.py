"""A simulated rig, scripted hands and what the display showed, in one process."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from records.measure import parse_quantity
from records.run import Request
from records.trace import FloatArray
from rig.simulator.devices import SimulatedRig
from rig.simulator.hands import Hands
from rig.simulator.registermap import INPUT_COUNT, WIRED
from rig.wire.registers import decode

LOOK_S = 0.05
INCH = 248.84  # Pa per inch of water at 60 °F (NIST SP 811)
PSI = 6894.757


@dataclass(frozen=True)
class Shown:
    """One answer of the rig in SI."""

    t_s: float
    outlet: float
    inlet: float
    ambient: float
    gas_temperature: float


def shown(rig: SimulatedRig) -> Shown:
    words = rig.read("input", 0, INPUT_COUNT)
    readings = {}
    for wired in WIRED:
        size = 2
        number = decode(
            words[wired.address : wired.address + size], wired.type, wired.order
        )
        unit = {"Pa": 1.0, "kPa": 1000.0, "°C": 1.0}[wired.unit]
        offset = 273.15 if wired.unit == "°C" else 0.0
        readings[wired.make.role] = number * wired.scale * unit + offset
    t_s = decode(words[:4], "uint64", "ABCD") * 1e-6
    return Shown(t_s, **readings)


class Bench:
    """Lets hands do one act after another on a simulated rig."""

    def __init__(
        self,
        seed: int,
        faults: Mapping[str, float] | None = None,
        mistakes: Sequence[str] = (),
    ) -> None:
        self.rig = SimulatedRig(seed, faults)
        self.hands = Hands(seed, mistakes=mistakes)
        self.t_s = 0.0
        self.trace: list[Shown] = []
        self.bleed: list[tuple[float, float]] = []
        self._asked = 0

    def look(self, request: Request | None) -> str | None:
        """Go on by one look; return the id that the hands acknowledge."""
        self.t_s += LOOK_S
        self.rig.advance_to(self.t_s)
        now = shown(self.rig)
        self.trace.append(now)
        seen = {"outlet": now.outlet, "inlet": now.inlet}
        moves = self.hands.act(self.t_s, request, seen)
        self.rig.move(moves.valves)
        self.bleed.append((self.t_s, self.rig.valves.bleed))
        return moves.acknowledge

    def ask(
        self, act: str, aim: str | None = None, repeats: int = 1, most_s: float = 120.0
    ) -> float:
        """Ask for an act with a confirmation; return how long it took."""
        self._asked += 1
        request = Request(
            id=f"ask-{self._asked}",
            step="test",
            act=act,
            aim=parse_quantity(aim) if aim is not None else None,
            confirm=True,
            repeats=repeats,
        )
        start = self.t_s
        while self.look(request) != request.id:
            assert self.t_s - start < most_s, f"{act} was not done in {most_s} s"
        return self.t_s - start

    def hold(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        stop = self.t_s + seconds
        while self.t_s < stop - 1e-9 and not until():
            self.look(None)

    def last(self, seconds: float, role: str = "outlet") -> FloatArray:
        return np.array(
            [getattr(s, role) for s in self.trace if s.t_s > self.t_s - seconds]
        )

    def mean(self, seconds: float, role: str = "outlet") -> float:
        return float(np.mean(self.last(seconds, role)))

    def slope(self, seconds: float, role: str = "outlet") -> float:
        y = self.last(seconds, role)
        t = np.array([s.t_s for s in self.trace[-len(y) :]])
        return float(np.polyfit(t - t[0], y, 1)[0])

    def pressurised(self) -> "Bench":
        """Fit the regulator and bring the inlet to 10 psi, adjuster out."""
        self.ask("fit_regulator")
        self.ask("screw_out")
        self.ask("raise_inlet", "10 psi gauge")
        return self

    def regulating(self) -> "Bench":
        """Set to 11.0 in. w.c. at a small bleed."""
        self.pressurised()
        self.ask("set_outlet", "11.0 in. w.c. gauge")
        self.hold(6.0)
        return self
