"""One run under review: what was opened, which finding is looked at. Knows no Qt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from proofstand.display import plain
from proofstand.keeping.boundaries import time_text
from proofstand.keeping.reviewed import KeptPaper, Reviewed, reviewed
from proofstand.review.fits import Fits, Fitted
from records.archive.found import RunFound
from records.errors import ProofstandError
from records.judgement import Finding

from ..background import Background, Handle
from ..bench_desk.live import Live
from ..bench_desk.presenter import Presenter
from ..bench_desk.screen import Picture, Strip
from ..session_thread import Final, replayed
from .detail import Detail, FindingLine, detail_of, lines_of
from .shelf import Shelf
from .wording import known, moment, said, told

_BESIDE = 0.35  # so much of a window is shown on either side of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Something that was added to the run, as lines: a head, and what it says."""

    head: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPage:
    """What the desk shows of a run under review.

    Attributes:
        head, second: the lines of the window's head. band: what is simulated.
        verdict: id, for its sign; verdict_words: with what stands beside it.
        lines: the findings. chosen: which is looked at.
        judgements, papers: what is kept, the newest first.
    """

    head: str = ""
    second: str = ""
    band: str = ""
    said: str = ""
    strip: Strip | None = None
    verdict: str = ""
    verdict_words: str = ""
    lines: tuple[FindingLine, ...] = ()
    chosen: int = 0
    judgements: tuple[Told, ...] = ()
    papers: tuple[Told, ...] = ()


class ReviewPresenter:
    """Holds the run that is looked at.

    Args:
        shelf: the archive that it is kept in.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._opening, self._fitting = Background(), Background()
        self._wanted: RunFound | None = None
        self._run: Reviewed | None = None
        self._lines: tuple[FindingLine, ...] = ()
        self._chosen = 0
        self._bench: dict[int, Presenter] = {}
        self._part = 1
        self._fits: dict[int, Fitted | None] = {}
        self._details: dict[int, Detail] = {}
        self._maker: Fits | None = None
        self._error: Strip | None = None
        self.changed = True

    # --- opening ---------------------------------------------------------------------

    def open(self, run: RunFound) -> None:
        """Open a run; what was looked at before is let go."""
        self._wanted, self._run, self._error = run, None, None
        self._lines, self._chosen, self._part = (), 0, 1
        self._bench, self._fits, self._maker = {}, {}, None
        self._read(run)

    def again(self) -> None:
        """Read the run again: something was added to it."""
        if self._wanted is not None:
            self._read(self._wanted)

    def _read(self, run: RunFound) -> None:
        def work(handle: Handle) -> Reviewed:
            with self._shelf.index() as index:
                found = index.run(run.run) or run
                return reviewed(index, self._shelf.home.archive, found)

        self._opening.run(work, self._opened, self._failed)
        self.changed = True

    def _opened(self, run: Reviewed) -> None:
        first = self._run is None
        self._run, self._details = run, {}
        self._lines = lines_of(run.judgement, run.run, run.plan)
        if first:
            self._maker = Fits(run.run, run.plan)
            self._chosen = self._worst
            self._fit()
        self.changed = True

    @property
    def _worst(self) -> int:
        """Number of the finding that is looked at first: one that fails, if any."""
        outcomes = [line.outcome for line in self._lines]
        for outcome in ("fail", "conditional fail", "inconclusive"):
            if outcome in outcomes:
                return outcomes.index(outcome)
        return 0

    def _failed(self, error: ProofstandError) -> None:
        what, do = told(error)
        self._error = Strip(what=what, do=do)
        self.changed = True

    # --- what is looked at -----------------------------------------------------------

    @property
    def reviewed(self) -> Reviewed | None:
        """The run that is open, or None."""
        return self._run

    @property
    def finding(self) -> Finding | None:
        """The finding that is looked at, or None."""
        if self._run is None or not self._run.judgement.findings:
            return None
        return self._run.judgement.findings[self._chosen]

    def choose(self, number: int) -> None:
        """Look at another finding."""
        if number == self._chosen or self._run is None:
            return
        self._chosen = number
        finding = self.finding
        if finding is not None and finding.evidence.part:
            self._part = finding.evidence.part
        self._fit()
        self.changed = True

    def _fit(self) -> None:
        finding, maker, number = self.finding, self._maker, self._chosen
        if finding is None or maker is None or number in self._fits:
            return

        def made(fit: Fitted | None) -> None:
            self._fits[number] = fit
            self.changed = True

        def failed(error: ProofstandError) -> None:
            made(None)

        self._fitting.run(lambda handle: maker.of(finding), made, failed)

    @property
    def detail(self) -> Detail | None:
        """What is told of the finding that is looked at."""
        run, finding = self._run, self.finding
        if run is None or finding is None:
            return None
        if self._chosen not in self._details:
            self._details[self._chosen] = detail_of(finding, run.run, run.plan)
        return self._details[self._chosen]

    @property
    def fit(self) -> Fitted | None:
        """What it was fitted to, once that is made."""
        return self._fits.get(self._chosen)

    @property
    def fit_words(self) -> str:
        """Why no fit is shown, or ""."""
        if self.finding is None or self.fit is not None:
            return ""
        return said("no_fit" if self._chosen in self._fits else "fitting")

    def go_to_finding(self) -> None:
        """Show the stretch that the finding was read from, a little more about it."""
        detail, bench = self.detail, self.bench
        if detail is None or detail.window is None or bench is None:
            return
        _, start, stop = detail.window
        about = _BESIDE * max(stop - start, 1.0)
        bench.show_stretch(max(start - about, 0.0), stop + about)
        self.changed = True

    # --- the trace -------------------------------------------------------------------

    @property
    def bench(self) -> Presenter | None:
        """What folds the part that is looked at into a picture, as the Bench does."""
        run = self._run
        if run is None:
            return None
        if self._part not in self._bench:
            made = Presenter("looking", live=False)
            made.take(replayed(run.run, self._part))
            final = Final(
                run_path=run.path,
                run=run.run,
                judgement=replace(run.judgement, findings=self._of_part(run)),
                by=run.run.header.by,
            )
            made.take([final])
            self._bench[self._part] = made
        return self._bench[self._part]

    def _of_part(self, run: Reviewed) -> tuple[Finding, ...]:
        return tuple(
            f for f in run.judgement.findings if f.evidence.part in (0, self._part)
        )

    @property
    def picture(self) -> Picture | None:
        """The trace, the stretch of the finding marked on it."""
        bench = self.bench
        found = None if bench is None else bench.screen().picture
        detail = self.detail
        if found is None or detail is None or detail.window is None:
            return found
        part, start, stop = detail.window
        return replace(found, marked=(start, stop)) if part == self._part else found

    @property
    def channels(self) -> Mapping[str, Live]:
        """The histories that the picture is drawn from."""
        bench = self.bench
        return {} if bench is None else bench.histories

    # --- what is shown ---------------------------------------------------------------

    def page(self) -> RunPage:
        """Return what is to be shown now."""
        run, wanted = self._run, self._wanted
        if wanted is None:
            return RunPage()
        plan = said("by_plan", plan=plain(wanted.plan), version=wanted.plan_version)
        named = (wanted.serial, wanted.model, wanted.gas)
        head = "   ".join([*(plain(each) for each in named if each), plan])
        second = said(
            "tested",
            when=moment(wanted.started_ns),
            by=plain(wanted.tested_by) or said("nobody"),
            rig=plain(f"{wanted.rig} {wanted.station}").strip(),
        )
        band = said("simulated_band") if wanted.simulated else ""
        if run is None:
            words = "" if self._error is not None else said("opening")
            return RunPage(
                head=head, second=second, band=band, said=words, strip=self._error
            )
        verdict = run.judgement.verdict.value
        return RunPage(
            head=head,
            second=second,
            band=band,
            strip=self._strip(run),
            verdict=verdict,
            verdict_words=self._verdict_words(run),
            lines=self._lines,
            chosen=self._chosen,
            judgements=tuple(self._judgements(run)),
            papers=tuple(_paper(each) for each in run.papers),
        )

    def _strip(self, run: Reviewed) -> Strip | None:
        if self._error is not None:
            return self._error
        if run.unread:
            what, do = told(run.unread[0])
            if len(run.unread) > 1:
                what = said("troubles", first=what, n=len(run.unread) - 1)
            return Strip(what=what, do=do)
        kept = run.standing
        if kept is not None and not run.same:
            what = said(
                "judged_otherwise",
                then=kept.verdict,
                version=kept.analysis_version,
                plan=kept.plan_version,
                now=run.judgement.verdict.value,
                own=run.judgement.analysis_version,
            )
            return Strip(what=what, do=said("judged_otherwise_do"), grave=False)
        return None

    def _verdict_words(self, run: Reviewed) -> str:
        words = [run.judgement.verdict.value]
        kinds = {each.kind for each in run.papers}
        if "rejection" in kinds:
            words.append(said("state", "rejected"))
        if "concession" in kinds:
            words.append(said("state", "conceded"))
        if run.found.certificate:
            words.append(f"{run.found.title} {run.found.certificate}")
        return ", ".join(words)

    def _judgements(self, run: Reviewed) -> list[Told]:
        found = []
        for number, each in enumerate(run.judgements):
            head = said(
                "judgement",
                n=each.n,
                when=moment(each.utc_ns),
                who=plain(each.who),
                verdict=each.verdict,
            )
            standing = said("stands" if number == 0 else "superseded")
            text = said(
                "judged_by",
                plan=plain(each.plan),
                version=each.plan_version,
                analysis=each.analysis_version,
                standing=standing,
            )
            for moved in each.boundaries:
                begin, end = time_text(moved.begin_s), time_text(moved.end_s)
                facts = {"step": moved.step, "begin": begin, "end": end}
                facts |= {"by": plain(moved.by), "why": plain(moved.why)}
                text = f"{text} {said('boundary_moved', **facts)}"
            found.append(Told(head=head, text=text))
        return found

    # --- beside the window -----------------------------------------------------------

    @property
    def busy(self) -> bool:
        """Something is being read."""
        return self._opening.busy or self._fitting.busy

    def take(self) -> None:
        """Take what came."""
        for work in (self._opening, self._fitting):
            self.changed = work.take() or self.changed

    def let_go(self) -> None:
        """Want nothing any more."""
        self._opening.let_go()
        self._fitting.let_go()

    def wait(self) -> None:
        """Let nothing outlive the window."""
        self._opening.wait()
        self._fitting.wait()


def _paper(paper: KeptPaper) -> Told:
    who = paper.by or paper.who
    head = said(
        "paper",
        n=paper.n,
        when=moment(paper.utc_ns),
        who=plain(who),
        what=_what(paper),
    )
    text = "\n".join(plain(part) for part in paper.text.splitlines())
    return Told(head=head, text=text)


def _what(paper: KeptPaper) -> str:
    """Return what was added, in words; of a page its title and number."""
    own = paper.kind in ("certificate", "notice")
    if own or not known("happened_paper", paper.kind):
        return plain(paper.what)
    return said("happened_paper", paper.kind)
