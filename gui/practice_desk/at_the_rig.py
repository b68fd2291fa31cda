"""A drill worked by hand on its served rig: session, valves, what is shown. No Qt.

The same session, procedure and presenter as on the Bench; findings, verdict and causes
are never made here, so that nothing can show them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from proofstand.conduct import Fitted
from proofstand.hand_worked import FIXTURES, HandValve, HandWorkedRig, position_words
from proofstand.procedure.engine import Command
from proofstand.words.sentences import trouble
from records.errors import InputError

from ..bench_desk.live import Live
from ..bench_desk.presenter import Presenter
from ..bench_desk.screen import AlarmShown, Phase, Screen
from ..session_thread import SessionThread, Tell


class AtTheRig:
    """One test that a trainee works.

    Args:
        rig: served, with its hidden fault.
        out: run file to make. by: who works the valves.
        clock: seconds, only ever forward.

    Attributes:
        shares: how far each handle stands, 0 to 1, by name.
        fixture: what is fitted: ``open``, ``blank`` or ``regulator``.
        fitted: what was fitted before, and when.
    """

    def __init__(
        self,
        rig: HandWorkedRig,
        out: Path,
        by: str,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.out, self.by = out, by
        self._rig = rig
        self.plan, self.valves = self._rig.plan, self._rig.valves
        self.shares = {valve.name: 0.0 for valve in self.valves}
        self.fixture = "open"
        self.fitted: list[Fitted] = []
        self.presenter = Presenter(clock=clock)

        def task(tell: Tell, commands: Callable[[], Iterable[Command]]) -> None:
            rig.lead(out, by, tell, commands)

        self.thread = SessionThread(task)

    def begin(self) -> None:
        """Begin the test."""
        self.presenter.come_into_view()
        self.thread.start()

    # --- hands -----------------------------------------------------------------------

    def move(self, name: str, share: float) -> None:
        """Move a handle to a share of its way."""
        valve = self._valve(name)
        self.shares[name] = min(max(share, 0.0), 1.0)
        self._rig.move(name, valve.position(self.shares[name]))

    def fit(self, fixture: str) -> None:
        """Fit something between the two connections."""
        if fixture != self.fixture:
            self.fitted.append(Fitted(self.presenter.now_s, fixture))
        self.fixture = fixture
        self._rig.move("fixture", float(FIXTURES[fixture]))

    def _valve(self, name: str) -> HandValve:
        return next(valve for valve in self.valves if valve.name == name)

    def words(self, name: str) -> str:
        """Return where a handle stands."""
        valve = self._valve(name)
        return position_words(valve, valve.position(self.shares[name]), self.plan)

    # --- what is said ----------------------------------------------------------------

    def confirm(self) -> None:
        """Confirm what is asked, once it has stood a moment."""
        self._say(self.presenter.confirm(self.by))

    def answer(self, text: str) -> str:
        """Answer a question that waits; return what is wrong with that, or ""."""
        if self.presenter.question is None:
            return ""
        try:
            self._say(self.presenter.answer(text, self.by))
        except InputError as error:
            told = trouble(error)
            return f"{told.what} {told.do}"
        return ""

    def stop(self) -> None:
        """Take a press on stop; the second one counts."""
        self._say(self.presenter.stop(self.by))

    def hear(self) -> None:
        """Take that an alarm was heard."""
        self._say(self.presenter.hear(self.by))

    def _say(self, command: Command | None) -> None:
        if command is not None:
            self.thread.say(command)

    def look(self, what: str, *facts: float) -> None:
        """Look back: ``zoom``, ``pan`` and so on, as on the Bench."""
        getattr(self.presenter, what)(*facts)

    # --- how it goes -----------------------------------------------------------------

    def beat(self) -> None:
        """Take what the session told since."""
        self.presenter.take(self.thread.drain())

    @property
    def over(self) -> bool:
        """Nothing more comes of it."""
        return not self.thread.alive and self.presenter.phase is not Phase.OPENING

    @property
    def sealed(self) -> bool:
        """It came to its end and was sealed."""
        return self.over and self.out.exists()

    def let_go(self) -> None:
        """End it at the next readings; what was recorded stays."""
        self.thread.let_go()

    def wait(self) -> None:
        """Let nothing of it outlive the window."""
        self.thread.join()
        self._rig.close()

    @property
    def alarm(self) -> AlarmShown | None:
        """The gravest alarm of this test that stands."""
        return self.presenter.alarm

    def screen(self) -> Screen:
        """Return what is shown, without a finding, an interval or a cause."""
        found = self.presenter.screen()
        picture = found.picture
        if picture is not None:
            lanes = tuple(replace(lane, intervals=()) for lane in picture.lanes)
            picture = replace(picture, lanes=lanes)
        return replace(
            found,
            picture=picture,
            findings=(),
            verdict=None,
            goes_back=False,
            may_tell=False,
        )

    @property
    def channels(self) -> Mapping[str, Live]:
        """What was read so far, by the channel's id."""
        return self.presenter.histories
