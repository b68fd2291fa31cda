"""How a finding moves over the runs that were found; yields; causes. Knows no Qt.

What was judged is read once for the runs that the find page asks for; which finding of
it is charted is chosen here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.charts import Often
from proofstand.display import plain
from proofstand.drawing.inks import PAGE, Inks
from proofstand.keeping.shift_trend import rig_series
from proofstand.keeping.trend import (
    GROUPS,
    Judged,
    Series,
    Told,
    Yield,
    causes,
    first_passes,
    series_of,
)
from proofstand.keeping.trend_told import (
    cause_words,
    chart_of,
    series_lines,
    share_text,
    table_csv,
)
from proofstand.words.sentences import label
from records.archive.found import MOST
from records.errors import ProofstandError
from records.judgement import FINDINGS

from ..background import Background, Handle
from ..bench_desk.screen import Strip
from .besides import NO_CHOICE, Choice
from .fields import WrongText, query_of
from .saving import Make, written
from .shelf import Shelf
from .wording import said, told

YIELD, CAUSES, SHIFTS = "=yield", "=causes", "=shifts"
FIRST = "set_pressure"
TOGETHER = "=together"
_DOTS = 100.0  # to the inch, in the smallest window
_LEAST_PX = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendRow:
    """A series, a group's yield or a cause: its name, a share, and what is told."""

    name: str
    words: str
    share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendPage:
    """What the desk shows.

    Attributes:
        what, groups: what may be chosen. rows: series, groups or causes.
        picture: PNG of the chosen series, or None. lines: the same in words.
        charts: a picture belongs to what is shown.
    """

    head: str = ""
    second: str = ""
    band: str = ""
    said: str = ""
    strip: Strip | None = None
    what: Choice = NO_CHOICE
    groups: Choice = NO_CHOICE
    rows: tuple[TrendRow, ...] = ()
    chosen: int = 0
    picture: bytes | None = None
    lines: tuple[str, ...] = ()
    charts: bool = True
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class _Read:
    """What was read: of runs, of starts of shift, and what could not be."""

    told: list[Told]
    shifts: list[Series]
    unread: list[str]


class TrendPresenter:
    """Holds what was judged of the runs that were found.

    Args:
        shelf: the archive that it is kept in.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._reading, self._drawing = Background(), Background()
        self._typed: Mapping[str, str] = {}
        self._simulated = False
        self._told: list[Told] | None = None
        self._shifts: list[Series] = []
        self._unread: list[str] = []
        self._error: Strip | None = None
        self._read_so_far = 0
        self._what, self._group = FIRST, GROUPS[0]
        self._chosen = 0
        self._found: list[Series] = []
        self._yields: list[Yield] = []
        self._often: Sequence[Often] = ()
        self._size: tuple[int, int, Inks, float] = (0, 0, PAGE, 1.0)
        self._picture: bytes | None = None
        self.changed = True

    # --- what is looked at -----------------------------------------------------------

    def open(self, typed: Mapping[str, str], *, simulated: bool) -> None:
        """Look at the runs that the fields ask for.

        Args:
            typed: the fields' texts.
            simulated: those of simulated rigs; they are never mixed with real ones.
        """
        self._typed, self._simulated = dict(typed), simulated
        self._chosen = 0
        self._read()

    def other_rigs(self) -> None:
        """Look at runs of simulated rigs instead of real ones, or back."""
        self.open(self._typed, simulated=not self._simulated)

    def choose(self, what: str, id: str) -> None:
        """Choose what is charted, or what it is told apart by."""
        if what == "what" and id and id != self._what:
            self._what, self._chosen = id, 0
            self._sort()
        elif what == "group" and id != (self._group or TOGETHER):
            self._group = "" if id == TOGETHER else id
            self._chosen = 0
            self._read()
        self.changed = True

    def choose_row(self, number: int) -> None:
        """Chart another series."""
        if number != self._chosen:
            self._chosen = number
            self._draw()
            self.changed = True

    def fit(self, wide_px: int, high_px: int, inks: Inks, scale: float) -> None:
        """Take how large the picture and its letters are to be, and in which inks."""
        size = (wide_px, high_px, inks, scale)
        if size != self._size and min(wide_px, high_px) > _LEAST_PX:
            self._size = size
            self._draw()

    def _read(self) -> None:
        typed, simulated, group = dict(self._typed), self._simulated, self._group

        def work(handle: Handle) -> _Read:
            found: list[Told] = []
            with self._shelf.index() as index:
                judged = Judged(index, self._shelf.home.archive, group)
                query = query_of(typed, most=MOST, simulated=simulated)
                for one in judged.of(index.all_runs(query)):
                    handle.look()
                    found.append(one)
                    if len(found) % 50 == 0:
                        handle.tell(len(found))
                shifts = rig_series(index, self._shelf.home.archive)
                series = [] if simulated else list(shifts.series)
                return _Read(found, series, [*judged.unread, *shifts.unread])

        try:
            query_of(typed)
        except WrongText:
            typed = {}
        self._told, self._error, self._picture = None, None, None
        self._found, self._yields, self._often = [], [], ()
        self._read_so_far = 0
        self._reading.run(work, self._came, self._failed, self._count)
        self.changed = True

    def _count(self, so_far: int) -> None:
        self._read_so_far = so_far
        self.changed = True

    def _came(self, came: _Read) -> None:
        self._told, self._unread = came.told, came.unread
        self._shifts = came.shifts
        self._sort()

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._error = Strip(what=what, do=do)
        self.changed = True

    def _sort(self) -> None:
        """Make series, yields or causes of what was read."""
        self._found, self._yields, self._often = [], [], ()
        found = self._told or []
        if self._what == YIELD:
            self._yields = first_passes(found)
        elif self._what == CAUSES:
            self._often = causes(found)
        elif self._what == SHIFTS:
            self._found = self._shifts
        else:
            self._found = series_of(found, self._what)
        self._draw()
        self.changed = True

    @property
    def _series(self) -> Series | None:
        return self._found[self._chosen] if self._chosen < len(self._found) else None

    def _draw(self) -> None:
        series, (wide, high, inks, scale) = self._series, self._size
        self._picture = None
        if series is None or not series.points or not wide:
            self._drawing.let_go()
            return
        dots = _DOTS * scale
        size = (wide / dots, high / dots)
        self._drawing.run(
            lambda _: chart_of(series, "png", inks, size_in=size, dots=dots),
            self._drawn,
            self._failed,
        )

    def _drawn(self, picture: bytes) -> None:
        self._picture = picture
        self.changed = True

    # --- what leaves -----------------------------------------------------------------

    @property
    def may_chart(self) -> bool:
        """Whether there is a chart to save."""
        series = self._series
        return series is not None and bool(series.points)

    @property
    def may_table(self) -> bool:
        """Whether there is a table to save."""
        return bool(self._found or self._yields or self._often)

    def table(self) -> Make:
        """Return what writes the table (CSV)."""
        text = table_csv(self._found, self._yields, self._often)
        stem = f"trend-{self._what.removeprefix('=')}"
        return written(stem, [(".csv", lambda: text.encode("utf-8"))])

    def chart(self) -> Make | None:
        """Return what writes the chart as SVG and PNG, or None without one."""
        series = self._series
        if series is None or not series.points:
            return None
        parts = (series.of, self._what, series.step, series.channel)
        stem = "-".join(["trend", *(p for p in parts if p)])
        return written(
            stem,
            [
                (".svg", lambda: chart_of(series, "svg")),
                (".png", lambda: chart_of(series, "png")),
            ],
        )

    # --- what is shown ---------------------------------------------------------------

    def page(self) -> TrendPage:
        """Return what is to be shown now."""
        words, series = "", self._series
        rows = self._rows()
        if self._told is None and self._error is None:
            words = said("trend_reading", n=self._read_so_far)
        elif not rows and self._error is None:
            kind = "simulated" if self._simulated else "real"
            kind = "shifts" if self._what == SHIFTS else kind
            words = said("trend_nothing", kind)
        strip = self._error
        if strip is None and self._unread:
            what = said("trend_unread", n=len(self._unread), first=self._unread[0])
            strip = Strip(what=what, do=said("check"), grave=False)
        runs = len({one.run.run for one in self._told or ()})
        fields = ", ".join(
            f"{said('field', name)} {plain(text)}"
            for name, text in self._typed.items()
            if text.strip()
        )
        return TrendPage(
            head=said("trend_head"),
            second=said("trend_of", runs=runs, fields=fields or said("trend_all")),
            band=said("simulated_band") if self._simulated else "",
            said=words,
            strip=strip,
            what=Choice(options=_whats(), chosen=self._what),
            groups=Choice(options=_groups(), chosen=self._group or TOGETHER),
            rows=rows,
            chosen=self._chosen,
            picture=self._picture,
            lines=() if series is None else tuple(series_lines(series)),
            charts=self._what not in (YIELD, CAUSES),
            simulated=self._simulated,
        )

    def _rows(self) -> tuple[TrendRow, ...]:
        if self._yields:
            return tuple(
                TrendRow(
                    name=plain(each.group) or said("all_together"),
                    share=each.passed.value,
                    words=share_text(each.passed),
                )
                for each in self._yields
            )
        if self._often:
            whole = sum(each.count for each in self._often)
            return tuple(
                TrendRow(
                    name=cause_words(each.what),
                    share=each.count / whole,
                    words=said("cause_count", n=each.count, part=f"{each.part:.0%}"),
                )
                for each in self._often
            )
        return tuple(_series_row(each) for each in self._found)

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is being read or drawn."""
        return self._reading.busy or self._drawing.busy

    def take(self) -> None:
        """Take what came."""
        for work in (self._reading, self._drawing):
            self.changed = work.take() or self.changed

    def let_go(self) -> None:
        """Want nothing any more."""
        self._reading.let_go()
        self._drawing.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._reading.wait()
        self._drawing.wait()


def _series_row(series: Series) -> TrendRow:
    # what tells rows apart comes first: a long model's name is cut at its end
    parts = (series.step, plain(series.channel), plain(series.of))
    beyond = {
        *series.single.outside,
        *(i + 1 for i in series.moved.outside),
        *series.averaged.outside,
    }
    words = said("series_count", n=len(series.points), unusual=len(beyond))
    if len(series.points) == 1:
        words = said("series_one")
    elif series.points and not series.single.firm:
        words = said("series_few", n=len(series.points))
    if series.not_measured:
        words = f"{words}, {said('series_missing', n=series.not_measured)}"
    return TrendRow(name=", ".join(p for p in parts if p), words=words)


def _whats() -> tuple[tuple[str, str], ...]:
    findings = sorted((label(id), id) for id in FINDINGS)
    return (
        (YIELD, said("yield")),
        (CAUSES, said("causes")),
        (SHIFTS, said("shifts")),
        *((id, words) for words, id in findings),
    )


def _groups() -> tuple[tuple[str, str], ...]:
    return (
        (TOGETHER, said("all_together")),
        *((group, said("group", group)) for group in GROUPS),
    )
