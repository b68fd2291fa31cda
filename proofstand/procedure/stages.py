"""The stages that steps are made of: ask, wait until the trace shows it, hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from records.measure import Quantity

from .view import View


# What a stage has seen: a name for the mark, when, and facts for the mark.
@dataclass(frozen=True, slots=True)
class Seen:
    """Something that the trace shows."""

    event: str
    t_s: float
    facts: tuple[tuple[str, str], ...] = ()


See = Callable[[View], Seen | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """Ask the hands for something and wait until it is done.

    Attributes:
        act: what is asked. aim: pressure (gauge), flow or amount to bring about.
        lasting: how long it is to be done, where that matters.
        see: what the trace must show, or None where no trace can show it.
        confirm: a person must say that it is done; where gas could hurt someone.
        caution: id of the caution to show.
        give_up_s: how long to wait before the step counts as not done.
        adjusts: this changes the setting, so a mark ``adjusted`` is written.
        opens: this opens or connects something, so a mark ``opened`` is written.
        spoils: an event of this name from ``see`` spoils what was held before in the
            step, and it is built up again from where it leans on.
        redo: the step begins again when ``see`` gives an event of this name.
        unless: it is not asked, and the step is over, where this gives an event.
        either: a person's word ends it as well as what is seen, whichever is first.
        tells_aim: the mark says the aim too, for a judgement that sorts by it.
    """

    act: str
    aim: Quantity | None = None
    lasting: Quantity | None = None
    see: See | None = None
    confirm: bool = False
    caution: str = ""
    repeats: int = 1
    give_up_s: float = 600.0
    adjusts: bool = False
    opens: bool = False
    redo: str = ""
    spoils: str = ""
    unless: See | None = None
    either: bool = False
    tells_aim: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Soak:
    """Let time pass before a hold is counted."""

    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Hold or read for a time that counts.

    Attributes:
        seconds: how long.
        from_event: begin at the last event of this name in the run, not now.
        check: looked at when the hold is over; a returned event makes the step begin
            again, for its reason.
        gate: when it is so as often as a step is tried, the test ends: nothing may be
            built on it.
        stop: ends the hold early when it gives an event.
        guard: looked at as long as the hold is on; a returned event spoils it, and
            what was held is built up again from where it leans on.
    """

    seconds: float
    from_event: str = ""
    check: See | None = None
    gate: bool = False
    stop: See | None = None
    guard: See | None = None


Stage = Ask | Soak | Hold
MOST_ATTEMPTS = 3
