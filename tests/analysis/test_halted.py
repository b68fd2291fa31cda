"""What a step that was given up shows, from closed formulas.

Which trace belongs to what is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.halted import (
    FOLLOWS,
    JERKS,
    SHORT,
    STILL,
    STRAYS,
    SWINGS,
    Halted,
    halted,
)
from analysis.judge import judge
from analysis.marks import performances
from analysis.readings import Readings
from records.judgement import Verdict
from records.planfile import builtin_plan
from records.run import MarkKind, Run
from tests.analysis.closed_form import (
    INLET_PA,
    SET_PA,
    Array,
    Fault,
    Setting,
    _Tape,
    assemble,
    rig,
)

OUTLET = {"inlet": 10.0, "ambient": 3.0, "gas_temperature": 0.01}


def given_up(
    outlet: object,
    inlet: object = INLET_PA,
    *,
    step: str = "set-rough",
    act: str = "set_outlet",
    how: str = "timed_out",
    noise: float = 0.8,
    stuck: bool = False,
    seconds: float = 120.0,
) -> Run:
    """Return a run whose step was begun, asked for and given up."""
    fault = Fault(stuck_at_s=25.0 if stuck else None)
    tape = _Tape(Setting(noise={**OUTLET, "outlet": noise}), fault)
    tape.begin("zero")
    tape.play(20.0, 0.0, 0.0)
    tape.end()
    tape.begin(step)
    tape.mark(MarkKind.ASKED, act=act, request="r1")
    tape.play(seconds, inlet, outlet)
    tape.end(how)
    plan, text = builtin_plan("low-pressure")
    return assemble(tape, plan, text, rig())


def shown(run: Run) -> tuple[Halted, ...]:
    return halted(Readings(run), performances(run, run.header.plan))


def swing(t: Array) -> Array:
    return np.asarray(SET_PA + 250.0 * np.sin(2.0 * np.pi * 1.7 * t))


def jerks(t: Array) -> Array:
    """It stays where it sticks and slips every three seconds."""
    at = np.array([0.0, 1.0, -0.6, 0.8, -1.0, 0.3, 0.9, -0.4])
    return np.asarray(SET_PA + 300.0 * at[(t / 3.0).astype(int) % at.size])


def until(seconds: float) -> Callable[[Array], Array]:
    """It is set by jerks for so long, and then left alone."""
    return lambda t: np.where(t < seconds, jerks(t), SET_PA)


@pytest.mark.parametrize(
    ("run", "sign", "cause"),
    [
        (given_up(swing), SWINGS, "hunting"),
        (given_up(jerks), JERKS, "stem_friction"),
        (given_up(until(90.0), seconds=900.0), JERKS, "stem_friction"),
        (given_up(SET_PA, stuck=True), STILL, "transducer_stuck"),
        (
            given_up(20.0, 0.6 * INLET_PA, step="pressurise", act="raise_inlet"),
            SHORT,
            "supply_starved",
        ),
        (given_up(SET_PA, 0.7 * INLET_PA), SHORT, "supply_starved"),
        (
            given_up(
                20.0,
                lambda t: INLET_PA * (1.0 + 2e-3 * t),
                step="pressurise",
                act="raise_inlet",
            ),
            STRAYS,
            "supply_creeping",
        ),
        (
            given_up(
                lambda t: 30.0 * t,
                step="pressurise",
                act="raise_inlet",
                how="over_pressure",
            ),
            FOLLOWS,
            "seat_nicked",
        ),
    ],
    ids=[
        "swings",
        "jerks",
        "left alone",
        "still",
        "short",
        "sags",
        "strays",
        "follows",
    ],
)
def test_the_trace_tells_why_a_step_was_given_up(
    run: Run, sign: str, cause: str
) -> None:
    (found,) = shown(run)
    assert found.sign == sign
    assert 0.0 < found.share <= 1.0
    judgement = judge(run)
    assert judgement.verdict is Verdict.INCOMPLETE
    assert cause in judgement.suspects[0].fault_group


@pytest.mark.parametrize(
    "run",
    [
        given_up(SET_PA),  # it stands, with its noise: somebody gave up
        given_up(until(25.0), seconds=300.0),  # set, and then left alone
        given_up(SET_PA, noise=0.0),  # a converter coarser than the noise
        given_up(swing, seconds=3.0),  # too short to tell
        given_up(swing, how="done"),  # it came to its end after all
        given_up(swing, act="hands_off"),  # nothing was asked of the outlet
    ],
    ids=["stands", "set", "coarse", "short", "done", "hands off"],
)
def test_what_shows_nothing_names_nobody(run: Run) -> None:
    assert shown(run) == ()


def test_a_run_without_samples_or_steps_shows_nothing() -> None:
    run = given_up(SET_PA)
    assert halted(Readings(run), {}) == ()
