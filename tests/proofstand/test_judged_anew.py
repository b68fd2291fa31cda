"""Many kept runs judged anew: the same on one core, on two and on a cluster.

The archive is of the sample runs, so that real runs are judged.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pytest

from proofstand.keeping import rejudging
from proofstand.keeping.anew import Asked, Rejudged, Task, judge_anew
from proofstand.keeping.cluster import Cluster
from proofstand.keeping.home import Home, index_of
from proofstand.keeping.keep import add
from proofstand.keeping.rejudge import ByRule
from proofstand.keeping.rejudging import rejudged
from proofstand.keeping.unfinished import Unfinished
from proofstand.keeping.workers import Cores, Here, Lost, R, T, Workers
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.keys import load_key
from records.archive.chain import Archive
from records.archive.found import Query
from records.archive.index import Index

from .shop import SIGNER
from .shops import Call, call
from .test_approvals import approved

__all__ = ["call"]

ROOT = Path(__file__).parents[2]
SAMPLES = ("second-stage-good", "second-stage-seat-nicked", "second-stage-pinhole")


@pytest.fixture(scope="module")
def samples(bench_key: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an archive of sample runs."""
    archive = Archive(tmp_path_factory.mktemp("samples") / "archive")
    key = SigningKey(load_key(bench_key))
    for name in SAMPLES:
        add(archive, [ROOT / "sample_runs" / f"{name}.h5"], key=key, who=SIGNER)
    return archive.folder


@pytest.fixture
def archive(samples: Path, tmp_path: Path) -> Archive:
    """Return a copy that a test may change."""
    shutil.copytree(samples, tmp_path / "archive")
    return Archive(tmp_path / "archive")


@pytest.fixture
def index(archive: Archive, tmp_path: Path) -> Iterator[Index]:
    file = tmp_path / "index.sqlite"
    with index_of(Home(archive, f"sqlite:///{file}", file)) as made:
        yield made


def told(
    index: Index, archive: Archive, workers: Workers, unfinished: Unfinished | None
) -> list[Rejudged]:
    """Return all runs judged by another decision rule."""
    return list(
        rejudged(
            index,
            archive,
            index.all_runs(Query()),
            plan_for=ByRule("simple"),
            workers=workers,
            unfinished=unfinished,
        )
    )


@pytest.mark.serial
def test_one_core_two_cores_and_a_cluster_say_the_same(
    index: Index, archive: Archive
) -> None:
    distributed = pytest.importorskip("distributed")
    # one that can't be judged is told at its place by each of them
    damaged = next(archive.folder.glob("*/*nicked*/run.h5"))
    damaged.chmod(0o644)
    data = bytearray(damaged.read_bytes())
    data[-100] ^= 1
    damaged.write_bytes(data)
    here = told(index, archive, Here(), None)
    assert [each.trouble is None for each in here].count(False) == 1
    on_two = told(index, archive, Cores(2), None)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50
    ) as local:
        on_cluster = told(index, archive, Cluster(local.scheduler_address), None)
    for others in (on_two, on_cluster):
        assert [plain(each) for each in others] == [plain(each) for each in here]


def plain(each: Rejudged) -> tuple[object, ...]:
    """Return all that a judgement says, trouble as its words."""
    data = json.dumps(each.data, sort_keys=True)
    return each.run, each.before, each.after, each.changes, data, str(each.trouble)


def test_what_was_judged_before_an_interruption_is_not_judged_again(
    index: Index,
    archive: Archive,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    judged: list[str] = []
    really = judge_anew

    def counted(asked: Asked, task: Task) -> tuple[Rejudged, ...]:
        judged.append(task.run.run)
        return really(asked, task)

    monkeypatch.setattr(rejudging, "judge_anew", counted)
    whole = told(index, archive, Here(), None)
    judged.clear()
    first = Unfinished("rule simple", tmp_path / "notes")
    asked = rejudged(
        index,
        archive,
        index.all_runs(Query()),
        plan_for=ByRule("simple"),
        unfinished=first,
    )
    done = [next(asked), next(asked)]
    asked.close()  # type: ignore[attr-defined]
    before = list(judged)
    judged.clear()
    again = Unfinished("rule simple", tmp_path / "notes")
    came = told(index, archive, Here(), again)
    assert again.taken_over == len(done)
    assert [each.run.run for each in done] == before
    assert judged == [each.run.run for each in whole[len(done) :]]
    assert [(e.run.run, e.after, e.changes) for e in came] == [
        (e.run.run, e.after, e.changes) for e in whole
    ]
    # another question knows nothing of it, and a run of which more was said is new
    other = Unfinished("rule guarded", tmp_path / "notes")
    task = next(rejudging.tasks_of(index, [whole[0].run]))
    assert other.known(task) is None
    more = type(task)(run=task.run, listed=task.listed[:-1], papers=task.papers)
    assert again.known(more) is None
    again.finished()
    assert Unfinished("rule simple", tmp_path / "notes").known(task) is None


class Deadly:
    """Workers of which the second piece dies."""

    def each(
        self, work: Callable[[T], R], pieces: Iterable[T]
    ) -> Iterator[tuple[T, R | Lost]]:
        for number, piece in enumerate(pieces):
            yield piece, Lost() if number == 1 else work(piece)


def test_a_run_whose_worker_died_is_told_and_the_others_are_judged(
    index: Index,
    archive: Archive,
    tmp_path: Path,
    call: Call,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    notes = Unfinished("rule simple", tmp_path / "notes")
    came = told(index, archive, Deadly(), notes)
    troubles = [None if e.trouble is None else e.trouble.id for e in came]
    assert troubles == [None, "judging_died", None]
    again = Unfinished("rule simple", tmp_path / "notes")
    assert told(index, archive, Here(), again)[1].trouble is None
    assert again.taken_over == len(SAMPLES) - 1
    monkeypatch.setattr(
        "proofstand.commands.rejudge.workers_of", lambda args, runs: Deadly()
    )
    code, out, _ = call("records", "rejudge", "--all", "--archive", archive.folder)
    assert code == 70
    assert "1 can't be judged" in out


def test_what_was_judged_before_an_approval_is_judged_again(
    index: Index, archive: Archive, tmp_path: Path
) -> None:
    folder = tmp_path / "notes"
    task = next(rejudging.tasks_of(index, index.all_runs(Query())))
    Unfinished("q", folder).note(task, ())
    assert Unfinished("q", folder).known(task) == ()
    approved()
    assert Unfinished("q", folder).known(task) is None


@pytest.mark.parametrize("line", ["{", "[]", '{"task": 1, "judged": 7}', "\x00\ufffd"])
def test_notes_that_can_not_be_read_are_none(
    index: Index, archive: Archive, tmp_path: Path, line: str
) -> None:
    folder = tmp_path / "notes"
    notes = Unfinished("q", folder)
    task = next(rejudging.tasks_of(index, index.all_runs(Query())))
    notes.note(task, ())
    (file,) = folder.iterdir()
    kept = file.read_text("utf-8")
    file.write_text(f"{line}\n{kept}", "utf-8")
    assert Unfinished("q", folder).known(task) == ()


@pytest.mark.serial
def test_the_command_says_the_same_with_two_jobs(archive: Archive, call: Call) -> None:
    said = {}
    for jobs in (1, 2):
        code, out, _ = call(
            *("records", "rejudge", "--all", "--archive", archive.folder),
            *("--rule", "simple", "--json", "--jobs", jobs),
        )
        assert code == 0
        said[jobs] = json.loads(out)
    assert said[1] == said[2]
    assert len(said[1]["runs"]) == len(SAMPLES)
    for wrong in ("0", "-1", "1000"):
        code, _, err = call("records", "rejudge", "--all", "--jobs", wrong)
        assert code == 2, err
    code, _, err = call(
        *("records", "rejudge", "--all", "--archive", archive.folder),
        *("--cluster", "tcp://127.0.0.1:9"),
    )
    assert code == 2, err
    assert "cluster" in err
