"""A journal read while it is written, however far the writer has got at each look."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from records.errors import IntegrityError
from records.journal import JournalClosed, JournalTail, JournalWriter, read_journal
from records.run import Mark, Part, RunHeader
from records.trace import Block

from . import samples
from .test_journal import write


def taken(tail: JournalTail, most: int = 1 << 22) -> list[object]:
    found: list[object] = []
    while records := tail.take(most):
        found += [record for _, record in records]
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("journal") / "a.journal"
    write(path)
    return path.read_bytes()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 4000), max_size=8), st.sampled_from([64, 500, 1 << 22]))
def test_each_record_is_given_once_whatever_was_written_at_each_look(
    whole: bytes, tmp_path: Path, cuts: list[int], most: int
) -> None:
    path = tmp_path / "a.journal"
    path.unlink(missing_ok=True)
    tail = JournalTail(path)
    found: list[object] = []
    for length in [*sorted(min(cut, len(whole)) for cut in cuts), len(whole)]:
        path.write_bytes(whole[:length])
        found += taken(tail, most)
    tail.close()
    assert [type(each) for each in found] == [
        RunHeader,
        Part,
        *[Block, Mark] * 5,
        JournalClosed,
    ]
    assert found[-1] == JournalClosed("done")
    raw = np.concatenate([each.raw for each in found if isinstance(each, Block)])
    np.testing.assert_array_equal(raw, read_journal(path).run.samples[1, "one"].raw)


def test_nothing_is_taken_beyond_a_length(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    path.write_bytes(whole)
    tail = JournalTail(path)
    places = [at for at, _ in tail.take()]
    tail.close()
    tail = JournalTail(path)
    for until in places[1:]:
        tail.take(until=until)
        assert tail.offset <= until
    assert tail.offset == places[-1]
    tail.close()


@pytest.mark.parametrize("torn", [1, 10, 60])
def test_behind_a_torn_end_the_next_part_is_read_on(tmp_path: Path, torn: int) -> None:
    path = tmp_path / "a.journal"
    write(path, close=False)
    path.write_bytes(path.read_bytes()[:-torn])
    tail = JournalTail(path)
    before = taken(tail)
    writer, _ = JournalWriter.resume(path)
    writer.mark(samples.mark(9.0, n="behind"))
    writer.close("done")
    after = taken(tail)
    tail.close()
    assert [type(each) for each in before[-2:]] == [Mark, Block]
    assert isinstance(after[0], Mark)
    assert after[0].data == {"n": "behind"}
    assert after[1:] == [JournalClosed("done")]


def test_a_journal_that_is_not_there_yet_gives_nothing(tmp_path: Path) -> None:
    assert JournalTail(tmp_path / "none.journal").take() == []


def test_what_is_no_journal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    path.write_bytes(b"something else, long enough to be told apart")
    tail = JournalTail(path)
    with pytest.raises(IntegrityError) as caught:
        tail.take()
    tail.close()
    assert caught.value.id == "journal_damaged"
