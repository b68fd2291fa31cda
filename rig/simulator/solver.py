"""The simulated gas, one step of time after another, compiled.

A step solves the pressures of all volumes together with all flows taken at its end
(backward Euler), because a regulating loop answers within a millisecond; temperatures
follow from the very flows of that solution, also at the step's end. Mass and internal
energy are what is carried on, and change by nothing but those flows, heat and work, so
that none is made or lost. What is first order in the step is how the two solutions
follow one another.

The stem has no mass: it stands where the forces on it balance, and friction holds it
wherever the balance lies within the friction, whatever the step (rate-independent
friction, so that a smaller step finds the same).

Everything here is plain numbers in records of fixed layout; :mod:`.plant` knows what
they mean in the words of the trade.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
import numpy.typing as npt

from records.gas import state as gas_state

from . import gasflow

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a function of numbers; what was compiled is kept for the next start.

    Threads may run it side by side.
    """
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


_at_temperature = compiled(gas_state.at_temperature)
_pressure = compiled(gas_state.pressure_along)
_energy = compiled(gas_state.energy_and_heat)
_throat = compiled(gas_state.throat_factor)
_orifice = compiled(gasflow.orifice)

# Volumes (the last is there with two stages), then what has a pressure of its own.
INLET, OUTLET, BONNET, INTERSTAGE, AIR, SUPPLY, FILL = range(7)
VOLUMES, PLACES = 4, 7
FIRST, LAST = 0, 1  # stages; a single stage is the last one
ROOM_K = 293.15  # temperature for which conductances are given

# Ways that gas goes, and between which places.
(
    BY_SUPPLY,
    BY_VENT,
    BY_BLEED,
    BY_FILL,
    BY_RIG_RELIEF,
    BY_OPEN_INLET,
    BY_OPEN_OUTLET,
    BY_INLET_LEAK,
    BY_OUTLET_LEAK,
    BY_PINHOLE,
    BY_TEAR,
    BY_RELIEF,
    BY_BONNET_VENT,
    BY_INTERSTAGE_LEAK,
    BY_FIRST_SEAT,
    BY_LAST_SEAT,
) = range(16)
WAYS = 16
# What each way is, from where to where. A source gives and never takes; a relief opens
# by its pressure. With two stages the last seat is fed from between them.
ORIFICE, SOURCE, RELIEF, OPEN_END, FILM, SEAT = range(6)
_TABLE = np.array(
    [
        (SOURCE, SUPPLY, INLET),
        (ORIFICE, INLET, AIR),
        (ORIFICE, OUTLET, AIR),
        (SOURCE, FILL, OUTLET),
        (RELIEF, OUTLET, AIR),
        (OPEN_END, INLET, AIR),
        (OPEN_END, OUTLET, AIR),
        (FILM, INLET, AIR),
        (FILM, OUTLET, AIR),
        (FILM, OUTLET, BONNET),
        (ORIFICE, OUTLET, BONNET),
        (RELIEF, OUTLET, BONNET),
        (ORIFICE, BONNET, AIR),
        (FILM, INTERSTAGE, AIR),
        (SEAT, INLET, INTERSTAGE),
        (SEAT, INLET, OUTLET),
    ]
)
_KIND, _FROM, _TO = (np.ascontiguousarray(column) for column in _TABLE.T)
_OF_REGULATOR = BY_PINHOLE  # this way and those after it are there when one is fitted

_f8 = np.float64
STAGE = np.dtype(
    [
        ("preload_n", _f8),  # of the springs, with the screw where it is
        ("spring", _f8),  # N/m
        ("seat", _f8),  # N/m, of the soft seat
        ("contact", _f8),  # m, where disc and seat touch
        ("travel", _f8),  # m
        ("friction", _f8),  # N
        ("area", _f8),  # m2, of the diaphragm
        ("push", _f8),  # m2, on which the inlet pushes it open; negative: shut
        ("bore", _f8),  # m
        ("curtain", _f8),  # kg/(s Pa) per m2 of free area
        ("most", _f8),  # kg/(s Pa), of what stands in line with the seat; 0: nothing
        ("nick", _f8),  # kg/(s Pa), orifice past the shut seat
        ("film", _f8),  # kg/(s Pa2) with the gas at 293.15 K, laminar past it
        ("sense_s", _f8),  # lag of the pressure that the diaphragm feels
        ("stem_s", _f8),  # lag of the stem
        ("slackens", _f8),  # N/s, while the spring is loaded
        ("slackens_most", _f8),  # N
    ],
    align=True,
)
UNIT = np.dtype(
    [
        ("step_s", _f8),
        ("fitted", np.int64),
        ("stages", np.int64),
        ("gas_constant", _f8),
        ("density_scale", _f8),
        ("residual", _f8, (6, 5)),
        ("heat", _f8, (4,)),
        ("throat", _f8, (2,)),
        ("viscosity_power", _f8),
        ("volume", _f8, (VOLUMES,)),
        ("give", _f8, (VOLUMES,)),  # m3/Pa
        ("to_wall", _f8, (VOLUMES,)),  # W/K, gas at the reference density
        ("to_body", _f8, (VOLUMES,)),  # the same, to the regulator's body
        ("dense", _f8, (VOLUMES,)),  # kg/m3, reference density
        ("wall_heat", _f8, (VOLUMES,)),  # J/K
        ("wall_room", _f8, (VOLUMES,)),  # W/K
        ("body_heat", _f8),
        ("body_room", _f8),
        ("exchange", _f8),  # share of the way to the body's temperature behind a seat
        # of each way as the valves stand: kg/(s Pa); a film kg/(s Pa2) at 293.15 K
        ("conductance", _f8, (WAYS,)),
        ("ratio", _f8, (WAYS,)),  # critical pressure ratio
        ("opens", _f8, (WAYS,)),  # Pa, a relief; wide open a tenth above
        ("shuts", _f8),  # Pa, where the regulator's own shuts again once it opened
        ("supply_pa", _f8),  # gauge
        ("supply_creep", _f8),  # Pa/s while gas is on
        ("supply_most", _f8),  # Pa, of that creep
        ("fill_pa", _f8),  # gauge
        ("air_pa", _f8),
        ("air_drift", _f8),
        ("air_swing", _f8),
        ("air_phase", _f8),
        ("room_k", _f8),
        ("room_drift", _f8),
        ("room_swing", _f8),
        ("room_phase", _f8),
        ("stage", STAGE, (2,)),
    ],
    align=True,
)
STATE = np.dtype(
    [
        ("steps", np.int64),
        ("hard", np.int64),  # steps that had to be cut in parts
        ("failed", np.int64),  # parts that no search solved
        ("pa", _f8, (VOLUMES,)),  # absolute
        ("kelvin", _f8, (VOLUMES,)),
        ("kg", _f8, (VOLUMES,)),
        ("joule", _f8, (VOLUMES,)),  # internal energy
        ("m3", _f8, (VOLUMES,)),
        ("wall_k", _f8, (VOLUMES,)),
        ("body_k", _f8),
        ("stem", _f8, (2,)),  # m, opening
        ("lifted", np.int64),  # 1 while the regulator's own relief is off its seat
        ("slack_n", _f8, (2,)),  # what the springs have lost
        ("felt", _f8, (2,)),  # pressure that each diaphragm feels, absolute
        ("air_pa", _f8),
        ("room_k", _f8),
        ("creep", _f8),  # of the supply so far, Pa
        ("flow", _f8, (WAYS,)),  # kg/s in the latest step
        ("taken_kg", _f8),  # from supply, fill source and air
        ("given_kg", _f8),
        ("taken_j", _f8),  # with that gas, enthalpy
        ("given_j", _f8),
        ("warmed_j", _f8),  # from walls and body into gas
        ("work_j", _f8),  # of the gas on what holds it
        ("room_j", _f8),  # from the room into walls and body
    ],
    align=True,
)

Records = npt.NDArray[Any]

_CLOSE = 1e-11  # of the pressure: a correction this small ends the search
_CLOSE_PA = 1e-6
_MOST_TURNS = 40
_SHORTENINGS = 14
_SMALLEST_PART = 1.0 / 4096.0


@compiled
def volumes_of(u: Any) -> int:
    """Return how many volumes a unit has."""
    return VOLUMES if u.stages == 2 else VOLUMES - 1


@compiled
def _density(
    along: Records, scale: float, r: float, pressure: float, kelvin: float, near: float
) -> float:
    """Return the density at a pressure, found from one that is near."""
    density = near
    for _ in range(20):
        found, slope = _pressure(along, scale, r, density, kelvin)
        step = (pressure - found) / slope
        density += step
        if abs(step) <= 1e-14 * density:
            break
    return density


@compiled
def _solve(a: Records, b: Records, n: int) -> None:
    """Solve a x = b in place (b becomes x), n by n, rows exchanged."""
    for k in range(n):
        best = k
        for i in range(k + 1, n):
            if abs(a[i, k]) > abs(a[best, k]):
                best = i
        if best != k:
            for j in range(k, n):
                a[k, j], a[best, j] = a[best, j], a[k, j]
            b[k], b[best] = b[best], b[k]
        for i in range(k + 1, n):
            if a[i, k] != 0.0:
                share = a[i, k] / a[k, k]
                for j in range(k + 1, n):
                    a[i, j] -= share * a[k, j]
                b[i] -= share * b[k]
    for i in range(n - 1, -1, -1):
        total = b[i]
        for j in range(i + 1, n):
            total -= a[i, j] * b[j]
        b[i] = total / a[i, i]


@compiled
def stem_of(
    stage: Any,
    slack: float,
    was: float,
    felt_was: float,
    up: float,
    down: float,
    behind: float,
    h: float,
) -> tuple[float, float, float, float]:
    """Return where a stem stands, m, and how that follows the three pressures.

    ``slack`` is what its spring has lost, N; ``was`` where it stood and ``felt_was``
    what its diaphragm felt a time ``h`` ago. The pressures ``up``, ``down`` and
    ``behind`` are before the seat, behind it, and on the spring's side of the
    diaphragm, absolute; slopes are in these. Below zero the soft seat is pressed
    together.
    """
    feels = h / (h + stage.sense_s)
    follows = h / (h + stage.stem_s)
    felt = felt_was + feels * (down - felt_was)
    load = (
        stage.preload_n
        - slack
        + stage.push * (up - down)
        - stage.area * (felt - behind)
    )
    least, least_stiff = _balance(stage, load - stage.friction)
    most, most_stiff = _balance(stage, load + stage.friction)
    if least <= was <= most:
        return was, 0.0, 0.0, 0.0
    if was < least:
        x, stiff = least, least_stiff
    else:
        x, stiff = most, most_stiff
    x = was + follows * (x - was)
    if stiff == 0.0:
        return x, 0.0, 0.0, 0.0
    per_n = follows / stiff
    return (
        x,
        per_n * stage.push,
        -per_n * (stage.push + stage.area * feels),
        per_n * stage.area,
    )


@compiled
def _balance(stage: Any, load: float) -> tuple[float, float]:
    """Return the opening at which a load is in balance, and the stiffness there."""
    free = load / stage.spring
    if free >= stage.travel:
        return stage.travel, 0.0
    if free >= stage.contact:
        return free, stage.spring
    stiff = stage.spring + stage.seat
    return (load + stage.seat * stage.contact) / stiff, stiff


@compiled
def _seat(stage: Any, opening: float) -> tuple[float, float]:
    """Return the conductance of a seat, kg/(s Pa), and its slope in the opening."""
    lift = min(max(opening, 0.0), 0.25 * stage.bore)
    grows = 1.0 if 0.0 < opening < 0.25 * stage.bore else 0.0
    per_m = stage.curtain * math.pi * stage.bore
    k = per_m * lift
    slope = per_m * grows
    if stage.most > 0.0:
        ratio = k / stage.most
        narrowed = 1.0 / math.sqrt(1.0 + ratio * ratio)
        slope *= narrowed * narrowed * narrowed
        k *= narrowed
    return k + stage.nick, slope


@compiled
def _trial(
    u: Any,
    s: Any,
    h: float,
    p: Records,
    rho: Records,
    drho: Records,
    swift: Records,
    thin: Records,
    flow: Records,
    stem: Records,
    m3: Records,
    off: Records,
    a: Records,
) -> float:
    """Put flows at trial pressures, the mass balance and its slopes into the arrays.

    Returns:
        How far the balance is off, as pressures added up, Pa; infinite where stems
        would leave a volume no room.
    """
    n = volumes_of(u)
    for i in range(n):
        off[i] = 0.0
        for j in range(n):
            a[i, j] = 0.0
    for k in range(WAYS):
        flow[k] = 0.0
    for which in range(2):
        stem[which] = s.stem[which]
    for i in range(n):
        m3[i] = u.volume[i] + u.give[i] * (p[i] - p[AIR])
        a[i, i] += m3[i] * drho[i] + rho[i] * u.give[i]
    for way in range(WAYS if u.fitted else _OF_REGULATOR):
        kind, k = _KIND[way], u.conductance[way]
        i, j = _FROM[way], _TO[way]
        if kind == SEAT or k <= 0.0 or (kind == SOURCE and p[i] <= p[j]):
            continue
        up = i if p[i] >= p[j] else j
        if kind == FILM:
            k *= thin[up]
            f, fi, fj = k * (p[i] * p[i] - p[j] * p[j]), 2.0 * k * p[i], -2.0 * k * p[j]
        elif kind == OPEN_END:
            f, fi, fj = k * (p[i] - p[j]), k, -k
        else:
            k *= swift[up]
            bend = 0.0
            f, fi, fj = _orifice(p[i], p[j], u.ratio[way])
            if kind == RELIEF:
                opens = u.opens[way]
                if way == BY_RELIEF and s.lifted != 0:
                    opens = u.shuts
                over, wide = p[i] - p[j] - opens, 0.1 * u.opens[way]
                if over <= 0.0:
                    continue
                bend = k * f / wide if over < wide else 0.0
                k *= min(over / wide, 1.0)
            f, fi, fj = k * f, k * fi + bend, k * fj - bend
        _add(way, i, j, f, fi, fj, h, flow, off, a)
    if u.fitted:
        for which in range(2 - u.stages, 2):
            up = INLET if which == FIRST or u.stages == 1 else INTERSTAGE
            _stage(which, up, u, s, h, p, rho, swift, thin, flow, stem, m3, off, a)

    total = 0.0
    for i in range(n):
        off[i] += rho[i] * m3[i] - s.kg[i]
        total += abs(off[i]) / (m3[i] * drho[i]) if m3[i] > 0.0 else math.inf
    return total


@compiled
def _add(
    way: int, i: int, j: int, f: float, fi: float, fj: float, h: float,
    flow: Records, off: Records, a: Records,
) -> None:  # fmt: skip
    """Add a flow from i to j and its slopes to the balance."""
    flow[way] = f
    if i < VOLUMES:
        off[i] += h * f
        a[i, i] += h * fi
        if j < VOLUMES:
            a[i, j] += h * fj
    if j < VOLUMES:
        off[j] -= h * f
        a[j, j] -= h * fj
        if i < VOLUMES:
            a[j, i] -= h * fi


@compiled
def _stage(
    which: int,
    up: int,
    u: Any,
    s: Any,
    h: float,
    p: Records,
    rho: Records,
    swift: Records,
    thin: Records,
    flow: Records,
    stem: Records,
    m3: Records,
    off: Records,
    a: Records,
) -> None:
    """A seat with its stem, and the room that its diaphragm makes or takes."""
    down = INTERSTAGE if which == FIRST else OUTLET
    behind = AIR if which == FIRST else BONNET
    way = BY_FIRST_SEAT if which == FIRST else BY_LAST_SEAT
    stage = u.stage[which]
    x, x_up, x_down, x_behind = stem_of(
        stage,
        s.slack_n[which],
        s.stem[which],
        s.felt[which],
        p[up],
        p[down],
        p[behind],
        h,
    )
    stem[which] = x
    k, grows = _seat(stage, x)
    fast = swift[up] if p[up] >= p[down] else swift[down]
    f, f_up, f_down = _orifice(p[up], p[down], u.ratio[way])
    bend = fast * grows * f
    k *= fast
    film = stage.film * (thin[up] if p[up] >= p[down] else thin[down])
    total = k * f + film * (p[up] * p[up] - p[down] * p[down])
    _add(
        way, up, down, total,
        bend * x_up + k * f_up + 2.0 * film * p[up],
        bend * x_down + k * f_down - 2.0 * film * p[down],
        h, flow, off, a,
    )  # fmt: skip
    if behind < VOLUMES:
        a[up, behind] += h * bend * x_behind
        a[down, behind] -= h * bend * x_behind
    m3[down] -= stage.area * x
    a[down, down] -= rho[down] * stage.area * x_down
    a[down, up] -= rho[down] * stage.area * x_up
    if behind < VOLUMES:
        a[down, behind] -= rho[down] * stage.area * x_behind
        m3[behind] += stage.area * x
        a[behind, behind] += rho[behind] * stage.area * x_behind
        a[behind, up] += rho[behind] * stage.area * x_up
        a[behind, down] += rho[behind] * stage.area * x_down


@compiled
def _prepare(
    u: Any,
    s: Any,
    h: float,
    p: Records,
    kelvin: Records,
    swift: Records,
    thin: Records,
    along: Records,
) -> None:
    """Put what a step takes as it was at its beginning into the arrays."""
    n = volumes_of(u)
    for i in range(n):
        kelvin[i] = s.kelvin[i]
        p[i] = s.pa[i]
        _at_temperature(u.residual, kelvin[i], along[i])
    kelvin[AIR] = kelvin[SUPPLY] = kelvin[FILL] = s.room_k
    p[AIR] = s.air_pa
    p[SUPPLY] = s.air_pa + u.supply_pa + s.creep
    p[FILL] = s.air_pa + u.fill_pa
    _at_temperature(u.residual, s.room_k, along[AIR])
    for i in range(PLACES):
        cold = ROOM_K / kelvin[i]
        swift[i] = math.sqrt(cold) * _throat(u.throat[0], u.throat[1], p[i])
        # laminar: as density over viscosity
        if i <= AIR:
            thin[i] = math.pow(cold, 1.0 + u.viscosity_power)
        else:
            thin[i] = thin[AIR]


@compiled
def _search(
    u: Any,
    s: Any,
    h: float,
    p: Records,
    kelvin: Records,
    swift: Records,
    thin: Records,
    along: Records,
    rho: Records,
    drho: Records,
    flow: Records,
    stem: Records,
    m3: Records,
    off: Records,
    a: Records,
    p_try: Records,
    move: Records,
) -> bool:
    """Find the pressures at the end of a part of a step; tell whether it went well."""
    n = volumes_of(u)
    r, scale = u.gas_constant, u.density_scale
    for i in range(n):
        rho[i] = _density(along[i], scale, r, p[i], kelvin[i], s.kg[i] / s.m3[i])
        _, slope = _pressure(along[i], scale, r, rho[i], kelvin[i])
        drho[i] = 1.0 / slope
    far = _trial(u, s, h, p, rho, drho, swift, thin, flow, stem, m3, off, a)
    for _ in range(_MOST_TURNS):
        for i in range(n):
            move[i] = -off[i]
        _solve(a, move, n)
        near = True
        for i in range(n):
            near = near and abs(move[i]) <= _CLOSE_PA + _CLOSE * p[i]
        if near:
            return True
        share = 1.0
        # A flow that stops at equal pressures makes the full move jump to and fro.
        for i in range(AIR, PLACES):
            p_try[i] = p[i]
        for _shorter in range(_SHORTENINGS):
            for i in range(n):
                p_try[i] = max(p[i] + share * move[i], 0.5 * p[i])
                rho[i] = _density(along[i], scale, r, p_try[i], kelvin[i], rho[i])
                _, slope = _pressure(along[i], scale, r, rho[i], kelvin[i])
                drho[i] = 1.0 / slope
            found = _trial(
                u, s, h, p_try, rho, drho, swift, thin, flow, stem, m3, off, a
            )
            if found < far or found < 1e-9:
                break
            share *= 0.5
        if not found < math.inf:
            return False
        for i in range(n):
            p[i] = p_try[i]
        far = found
    return False


@compiled
def _ends(u: Any, way: int) -> tuple[int, int]:
    """Return from where to where a way goes in a unit."""
    if way == BY_LAST_SEAT and u.stages == 2:
        return INTERSTAGE, _TO[way]
    return _FROM[way], _TO[way]


@compiled
def _passes(u: Any, h: float, flow: Records, i: int) -> float:
    """Return how much of the gas that passed the seat before a volume met the body."""
    if i == INTERSTAGE:
        return float(max(h * flow[BY_FIRST_SEAT], 0.0) * u.exchange)
    if i == OUTLET:
        return float(max(h * flow[BY_LAST_SEAT], 0.0) * u.exchange)
    return 0.0


@compiled
def _take(
    u: Any, s: Any, h: float, p: Records, kelvin: Records, along: Records,
    rho: Records, flow: Records, stem: Records, m3: Records, off: Records, a: Records,
) -> None:  # fmt: skip
    """Move mass by the flows of the solution, then energy by the same flows."""
    n = volumes_of(u)
    r, scale = u.gas_constant, u.density_scale
    energy = np.empty(VOLUMES)
    cv = np.empty(VOLUMES)
    enthalpy = np.empty(PLACES)
    cp = np.zeros(PLACES)
    change = np.zeros(VOLUMES)
    for k in range(WAYS):
        i, j = _ends(u, k)
        f = h * flow[k]
        if i < VOLUMES:
            change[i] -= f
        elif f > 0.0:
            s.taken_kg += f
        else:
            s.given_kg -= f
        if j < VOLUMES:
            change[j] += f
        elif f > 0.0:
            s.given_kg += f
        else:
            s.taken_kg -= f
        s.flow[k] = flow[k]
    for i in range(n):
        s.kg[i] += change[i]
        rho[i] = s.kg[i] / m3[i]
        energy[i], cv[i], cp[i], p[i] = _energy(
            u.residual, u.heat, scale, r, rho[i], kelvin[i]
        )
        enthalpy[i] = energy[i] + p[i] / rho[i]
        off[i] = s.joule[i] - s.kg[i] * energy[i] - p[i] * (m3[i] - s.m3[i])
        for j in range(n):
            a[i, j] = 0.0
        a[i, i] = s.kg[i] * cv[i]
    for i in range(AIR, PLACES):
        enthalpy[i] = 0.0
        if (
            (i == SUPPLY and flow[BY_SUPPLY] != 0.0)
            or (i == FILL and flow[BY_FILL] != 0.0)
            or i == AIR
        ):
            d = _density(along[AIR], scale, r, p[i], s.room_k, p[i] / (r * s.room_k))
            e, _, _, _ = _energy(u.residual, u.heat, scale, r, d, s.room_k)
            enthalpy[i] = e + p[i] / d

    # Heat from walls and body, and gas carried along, with temperatures of the end.
    for i in range(n):
        swiftness = math.sqrt(rho[i] / u.dense[i])
        wall = h * u.to_wall[i] * swiftness
        body = h * u.to_body[i] * swiftness
        off[i] += wall * (s.wall_k[i] - kelvin[i]) + body * (s.body_k - kelvin[i])
        a[i, i] += wall + body
    for k in range(WAYS):
        f = h * flow[k]
        if f == 0.0:
            continue
        i, j = _ends(u, k)
        up = i if f > 0.0 else j
        carried = f * enthalpy[up]
        if i < VOLUMES:
            off[i] -= carried
            if up < VOLUMES:
                a[i, up] += f * cp[up]
        if j < VOLUMES:
            off[j] += carried
            if up < VOLUMES:
                a[j, up] -= f * cp[up]
    # Gas that passed a seat takes heat from the body on its way.
    for i in range(n):
        passes = _passes(u, h, flow, i)
        if passes > 0.0:
            off[i] += passes * cp[i] * (s.body_k - kelvin[i])
            a[i, i] += passes * cp[i]
    _solve(a, off, n)  # off: how much warmer each volume gets

    for i in range(n):
        work = p[i] * (m3[i] - s.m3[i])
        s.joule[i] -= work
        s.work_j += work
        swiftness = math.sqrt(rho[i] / u.dense[i])
        warm = kelvin[i] + off[i]
        wall = h * u.to_wall[i] * swiftness * (s.wall_k[i] - warm)
        body = h * u.to_body[i] * swiftness * (s.body_k - warm)
        passes = _passes(u, h, flow, i)
        body += passes * cp[i] * (s.body_k - warm)
        s.joule[i] += wall + body
        s.warmed_j += wall + body
        room = h * u.wall_room[i] * (s.room_k - s.wall_k[i])
        s.wall_k[i] += (room - wall) / u.wall_heat[i]
        s.room_j += room
        change[i] = body
    for k in range(WAYS):
        f = h * flow[k]
        if f == 0.0:
            continue
        i, j = _ends(u, k)
        up = i if f > 0.0 else j
        carried = f * enthalpy[up]
        if up < VOLUMES:
            carried += f * cp[up] * off[up]
        if i < VOLUMES:
            s.joule[i] -= carried
        elif f > 0.0:
            s.taken_j += carried
        else:
            s.given_j -= carried
        if j < VOLUMES:
            s.joule[j] += carried
        elif f > 0.0:
            s.given_j += carried
        else:
            s.taken_j -= carried
    body = 0.0
    for i in range(n):
        body += change[i]
        # the temperature that belongs to this energy, one step of Newton's from near
        warm = kelvin[i] + off[i]
        e, c, _, _ = _energy(u.residual, u.heat, scale, r, rho[i], warm)
        warm += (s.joule[i] / s.kg[i] - e) / c
        s.kelvin[i] = warm
        e, c, _, s.pa[i] = _energy(u.residual, u.heat, scale, r, rho[i], warm)
        s.m3[i] = m3[i]
    s.lifted = 1 if flow[BY_RELIEF] > 0.0 else 0
    room = h * u.body_room * (s.room_k - s.body_k)
    s.body_k += (room - body) / u.body_heat
    s.room_j += room
    for which in range(2):
        down = OUTLET if which == LAST else INTERSTAGE
        lag = u.stage[which].sense_s
        s.felt[which] += h / (h + lag) * (s.pa[down] - s.felt[which])
        s.stem[which] = stem[which]
        stage = u.stage[which]
        if stage.slackens > 0.0 and stage.preload_n > 0.0 and u.fitted:
            slack = s.slack_n[which] + h * stage.slackens
            s.slack_n[which] = min(slack, stage.slackens_most)


@compiled
def _surround(u: Any, s: Any, t: float) -> None:
    """Put air pressure and room temperature of a time into the state."""
    s.air_pa = u.air_pa + u.air_drift * t
    if u.air_swing != 0.0:
        s.air_pa += u.air_swing * math.sin(t * (2.0 * math.pi / 600.0) + u.air_phase)
    s.room_k = u.room_k + u.room_drift * t
    if u.room_swing != 0.0:
        s.room_k += u.room_swing * math.sin(t * (2.0 * math.pi / 1200.0) + u.room_phase)


@compiled
def advance(units: Records, states: Records, steps: int) -> None:
    """Let each unit go on by so many of its steps, each on its own."""
    p = np.empty(PLACES)
    p_try = np.empty(PLACES)
    kelvin = np.empty(PLACES)
    swift = np.empty(PLACES)
    thin = np.empty(PLACES)
    along = np.empty((PLACES, 6))
    rho = np.empty(VOLUMES)
    drho = np.empty(VOLUMES)
    flow = np.empty(WAYS)
    stem = np.empty(2)
    m3 = np.empty(VOLUMES)
    off = np.empty(VOLUMES)
    move = np.empty(VOLUMES)
    a = np.empty((VOLUMES, VOLUMES))
    for n in range(units.shape[0]):
        u, s = units[n], states[n]
        for _ in range(steps):
            s.steps += 1
            _surround(u, s, s.steps * u.step_s)
            if u.supply_pa > 0.0:
                s.creep = min(s.creep + u.step_s * u.supply_creep, u.supply_most)
            else:
                s.creep = 0.0
            left = part = u.step_s
            while left > 0.0:
                _prepare(u, s, part, p, kelvin, swift, thin, along)
                found = _search(
                    u, s, part, p, kelvin, swift, thin, along, rho, drho, flow, stem,
                    m3, off, a, p_try, move,
                )  # fmt: skip
                if not found and part > _SMALLEST_PART * u.step_s:
                    part *= 0.5
                    continue
                if not found:
                    s.failed += 1
                _take(u, s, part, p, kelvin, along, rho, flow, stem, m3, off, a)
                left -= part
            if part != u.step_s:
                s.hard += 1


def ready() -> None:
    """Compile now, where that was not done yet, so that nobody waits for it later."""
    advance(np.zeros(0, UNIT), np.zeros(0, STATE), 0)
