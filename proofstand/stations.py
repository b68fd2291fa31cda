"""Several stations of one rig at once: one loop reads, each session has its own run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from records.errors import ProofstandError, RigError
from records.rig import Rig
from records.trace import Block
from rig.acquisition import Acquisition, Incident, OpenInstrument
from rig.clock import Clock
from rig.fanout import FanOut

from .procedure.engine import Command
from .session import Session


def record_together(
    sessions: Mapping[str, Session],
    *,
    rig: Rig,
    instruments: Sequence[OpenInstrument],
    clock: Clock,
    commands: Callable[[str], Iterable[Command]],
) -> dict[str, str]:
    """Record until every session is over.

    A session that fails by itself (its journal can't be written on) leaves the others
    alone; a rig that fails ends all of them.

    Args:
        sessions: per station, made for the rig as that station sees it and without
            instruments of their own.
        rig: the whole rig.
        instruments: its open instruments; closed at the end.
        clock: the host's clock.
        commands: returns what people at a station said since.

    Returns:
        Per station ``done``, ``abandoned`` or ``failed``.

    Raises:
        RigError: the rig failed; the journals stay.
    """
    on = dict(sessions)
    ended: dict[str, str] = {}
    fan = FanOut(rig, list(sessions))

    def guarded(station: str, work: Callable[[], None]) -> None:
        try:
            work()
        except RigError:
            raise
        except ProofstandError as error:
            on.pop(station).fail(error)
            ended[station] = "failed"

    acquisition = Acquisition(1, instruments, clock)
    untold: dict[str, list[Incident]] = {}

    def happened() -> None:
        for incident in acquisition.incidents():
            for station in on:
                untold.setdefault(station, []).append(incident)

    try:
        for station, session in sessions.items():
            guarded(station, lambda s=session: _begin(s, acquisition))  # type: ignore[misc]
        try:
            for whole in acquisition.blocks():
                happened()
                for station, block in fan.blocks(whole):
                    if station not in on:
                        continue
                    guarded(
                        station,
                        lambda s=station, b=block: on[s].take(  # type: ignore[misc]
                            b, acquisition.part, lambda: commands(s), untold.pop(s, [])
                        ),
                    )
                    if station in on and on[station].ended:
                        over = on.pop(station)
                        over.keep([], acquisition.part, counted=acquisition.told())
                        ended[station] = over.end()
                if not on:
                    break
        finally:
            left: dict[str, list[Block]] = {station: [] for station in on}
            for whole in acquisition.flush():
                for station, block in fan.blocks(whole):
                    if station in on:
                        left[station].append(block)
            happened()
            for station, blocks in left.items():
                on[station].keep(
                    blocks,
                    acquisition.part,
                    untold.pop(station, []),
                    acquisition.told(),
                )
    except BaseException as error:
        for session in on.values():
            session.fail(error)
        raise
    finally:
        for instrument in instruments:
            instrument.close()
    return ended


def _begin(session: Session, acquisition: Acquisition) -> None:
    session.open()
    session.begin(acquisition.part)
