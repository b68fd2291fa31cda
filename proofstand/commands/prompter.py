"""A person at a terminal: shows what is asked, takes Enter as the confirmation."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Iterable

from proofstand.procedure.engine import Acknowledge, Command
from proofstand.session import Asked, Closed, Marked, SessionEvent, Started, Troubled
from proofstand.words.sentences import action, caution
from records.run import MarkKind, Request


class Prompter:
    """Tells session events on standard error and reads confirmations.

    Args:
        quiet: print nothing.
        ask: read confirmations from standard input; False where hands are simulated.
    """

    def __init__(self, *, quiet: bool, ask: bool) -> None:
        self._quiet = quiet
        self._ask = ask
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._request: Request | None = None
        self._by = "technician"
        if ask:
            threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.strip())

    def tell(self, event: SessionEvent) -> None:
        """Show one event."""
        if isinstance(event, Asked):
            self._request = event.request
        if self._quiet:
            return
        match event:
            case Started(run, journal):
                self._say(f"run {run}, recording to {journal}")
            case Asked(request):
                first, second = action(request)
                self._say(f"  {first} {second}")
                if request.caution:
                    self._say(f"    ! {caution(request.caution)}")
                if request.confirm and self._ask:
                    self._say("    [Enter] when done")
            case Marked(mark) if mark.kind is MarkKind.STEP_BEGIN:
                self._say(f"{mark.t_s:8.1f} s  {mark.step}")
            case Marked(mark) if mark.kind in (MarkKind.SEEN, MarkKind.HOLD_END):
                what = mark.data.get("event", "hold over")
                self._say(f"{mark.t_s:8.1f} s    {what.replace('_', ' ')}")
            case Marked(mark) if mark.kind is MarkKind.STEP_REPEAT:
                why = mark.data.get("why", "").replace("_", " ")
                self._say(f"{mark.t_s:8.1f} s    again: {why}")
            case Marked(mark) if mark.kind is MarkKind.TROUBLE:
                what = mark.data.get("trouble", "").replace("_", " ")
                self._say(f"{mark.t_s:8.1f} s    TROUBLE: {what}")
            case Troubled():
                self._say("The rig failed. What was recorded is kept.")
            case Closed(how, seconds):
                self._say(f"{seconds:8.1f} s  {how}")
            case _:
                pass

    def commands(self) -> Iterable[Command]:
        """Return what was said since: Enter confirms the request that stands."""
        said: list[Command] = []
        while not self._lines.empty():
            self._lines.get()
            if self._request is not None and self._request.confirm:
                said.append(Acknowledge(self._request.id, self._by))
        return said

    def close(self) -> None:
        """Nothing is left to show."""
        self._request = None

    def _say(self, line: str) -> None:
        print(line, file=sys.stderr, flush=True)
