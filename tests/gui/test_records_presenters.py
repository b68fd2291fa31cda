"""The Records desk's rules without a window: fields, pages, trends, saving, acts."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Protocol

import pytest

from gui.records_desk.acts import BOUNDARY, COMMENT, CONCEDE, ActPresenter
from gui.records_desk.besides import BesidePresenter
from gui.records_desk.fields import (
    FIELDS,
    VERDICTS,
    WrongText,
    query_of,
    scanned_serials,
    wrong,
)
from gui.records_desk.finding import MOST_MARKED, FindPresenter
from gui.records_desk.rows import states
from gui.records_desk.saving import Saving, bundles, free_name, written
from gui.records_desk.shelf import Shelf
from gui.records_desk.telling import TellPresenter
from gui.records_desk.trends import TrendPresenter
from proofstand.keeping.boundaries import seconds_of, time_text
from proofstand.keeping.bundle import check_bundle
from proofstand.keeping.home import home, index_of
from proofstand.keeping.reviewed import reviewed
from proofstand.keeping.times import begin_of
from records.archive.found import FILTERS, Listed, RunFound
from records.judgement import Outcome
from tests.kept_samples import KeptSamples

WAIT_S = 60.0


class Works(Protocol):
    @property
    def busy(self) -> bool: ...

    def take(self) -> None: ...

    def wait(self) -> None: ...


def waited(works: Works) -> None:
    """Take what comes until nothing comes any more."""
    until = time.monotonic() + WAIT_S
    calm = 0
    while calm < 2 and time.monotonic() < until:
        works.take()
        calm = 0 if works.busy else calm + 1
        time.sleep(0.002)
    assert calm == 2


@pytest.fixture
def shelf(kept_samples: KeptSamples) -> Iterator[Shelf]:
    made = Shelf(kept_samples.folder, key=kept_samples.key)
    yield made
    made.close()


def found_runs(kept: KeptSamples) -> tuple[RunFound, ...]:
    with index_of(home(kept.folder)) as index:
        return index.by_serial("SIM-0001")


# --- what is typed -------------------------------------------------------------------


def test_every_filter_of_the_index_is_a_field_with_words() -> None:
    from gui.records_desk.wording import said

    assert set(FILTERS) <= set(FIELDS)
    for name in FIELDS:
        assert said("field", name)
        assert said("hint", name)


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("since", "2026-02-30", "A day"),
        ("to", "yesterday", "A day"),
        ("verdict", "in", "incomplete, inconclusive"),
        ("verdict", "good", "no limit"),
        ("cause", "seat_", "One of: "),
        ("cause", "gremlin", "No fault begins so"),
        ("found", "lockup_ris >= 1 kPa", "One of: lockup_rise"),
        ("found", "lockup_rise >= 1", "The unit is missing."),
        ("found", "set_pressure >= 80 psia", "'80 psia' is absolute, and"),
        ("found", "lockup_rise > 1 kPa", "Found"),
        ("since", " 2026-03-02 ", ""),
        ("to", "TODAY", ""),
        ("verdict", "F", ""),
        ("verdict", "not judged", ""),
        ("serial", "\u202e調*\x00", ""),
        ("model", 9000 * "x", ""),
        ("gas", "   ", ""),
    ],
)
def test_what_is_wrong_is_said_of_its_own_field(
    name: str, text: str, says: str
) -> None:
    typed = {name: text}
    assert wrong(name, typed).startswith(says[:5]) or says in wrong(name, typed)
    assert bool(wrong(name, typed)) == bool(says)
    if says:
        with pytest.raises(WrongText):
            query_of(typed)
    else:
        query_of(typed)


def test_days_hold_from_midnight_to_midnight_here() -> None:
    typed = {"since": "2026-03-02", "to": "2026-03-02", "verdict": "f"}
    query = query_of(typed)
    day = date(2026, 3, 2)
    assert query.since_ns == begin_of(day)
    assert query.before_ns == begin_of(day + timedelta(days=1))
    assert query.wanted == {"verdict": "fail"}
    assert wrong("to", {"since": "2026-03-03", "to": "2026-03-02"})
    assert query_of({"to": "9999-12-31"}).before_ns is not None
    assert VERDICTS[-1] == "not judged"


@pytest.mark.parametrize(
    ("label", "first"),
    [
        ("LV-1042/SIM-0001", "SIM-0001"),
        ("SIM-0001", "SIM-0001"),
        (" A/B/C ", "B/C"),
        ("ends/", "ends/"),
    ],
)
def test_a_label_names_a_serial(label: str, first: str) -> None:
    serials = scanned_serials(label)
    assert serials[0] == first
    assert label.strip() in serials


# --- what is found -------------------------------------------------------------------


def test_a_page_is_as_long_as_there_is_room_and_turns_to_its_ends(
    shelf: Shelf,
) -> None:
    find = FindPresenter(shelf)
    find.fit(4)
    waited(find)
    page = find.page()
    assert len(page.rows) == 4
    assert (page.before, page.after) == (False, True)
    assert page.strip is None
    newest = [row.run.started_ns for row in page.rows]
    assert newest == sorted(newest, reverse=True)
    find.turn(1)
    waited(find)
    assert len(find.page().rows) == 1
    assert (find.page().before, find.page().after) == (True, False)
    find.turn(1)
    assert "last page" in find.page().foot
    find.turn(-1)
    find.turn(-1)  # while the page is asked for: it counts once
    waited(find)
    assert len(find.page().rows) == 4
    find.fit(30)
    waited(find)
    assert len(find.page().rows) == 5
    find.wait()


def test_a_place_beyond_the_end_says_so(shelf: Shelf) -> None:
    find = FindPresenter(shelf)
    find.fit(4)
    waited(find)
    find._ask(["", "-9000000000000000000/none"])
    waited(find)
    page = find.page()
    assert page.rows == ()
    assert page.said[0] == "No more runs. PgUp goes back."
    find.turn(-1)
    waited(find)
    assert len(find.page().rows) == 4


def test_wrong_text_asks_nothing_and_a_right_one_narrows(shelf: Shelf) -> None:
    find = FindPresenter(shelf)
    find.fit(20)
    waited(find)
    find.type("since", "x")
    assert not find.find()
    assert find.notes == {"since": "A day, as 2026-03-02"}
    find.type("since", "")
    find.type("model", "INVENTED cylinder*")
    assert find.find()
    waited(find)
    assert [row.run.plan for row in find.page().rows] == ["cylinder"]
    assert find.clear()
    assert not find.clear()


def test_a_changed_chain_is_told_and_a_spoilt_index_is_made_anew(
    own_samples: KeptSamples, tmp_path: Path
) -> None:
    file = tmp_path / "index.sqlite"
    file.write_bytes(b"no database at all " * 400)
    shelf = Shelf(own_samples.folder, f"sqlite:///{file}")
    find = FindPresenter(shelf)
    find.fit(20)
    waited(find)
    assert len(find.page().rows) == 5
    assert find.page().strip is None
    shelf.close()
    chain = own_samples.folder / "chain.jsonl"
    chain.write_bytes(chain.read_bytes().replace(b'"pass"', b'"fail"', 1))
    other = Shelf(own_samples.folder, f"sqlite:///{tmp_path / 'other.sqlite'}")
    find = FindPresenter(other)
    find.fit(20)
    waited(find)
    page = find.page()
    assert page.rows == ()
    assert page.strip is not None
    assert "chain.jsonl" in page.strip.what
    assert page.strip.do
    other.close()


def test_another_rig_s_database_is_refused_in_words(
    kept_samples: KeptSamples,
) -> None:
    shelf = Shelf(kept_samples.folder, "mysql://somewhere/else")
    find = FindPresenter(shelf)
    find.fit(20)
    waited(find)
    assert find.page().strip is not None
    shelf.close()


def test_as_many_are_marked_as_one_picture_tells_apart(shelf: Shelf) -> None:
    find = FindPresenter(shelf)
    find.fit(20)
    waited(find)
    for number in range(5):
        find.choose(number)
        find.mark()
    assert len(find.marked) == MOST_MARKED == 5
    find.mark()  # once more: not marked any more
    assert len(find.marked) == 4
    find._marked |= {"other": found_run("other")}
    find.choose(4)
    find.mark()
    assert "At most 5" in find.page().foot
    assert find.unmark()
    assert find.marked == ()
    find.wait()


def found_run(id: str) -> RunFound:
    texts = {name: "" for name in RunFound.__dataclass_fields__}
    facts = {"run": id, "plan_version": 1, "started_ns": 0, "simulated": False}
    return RunFound(**{**texts, **facts})  # type: ignore[arg-type]


def test_what_became_of_a_run_is_told_the_gravest_first(
    kept_samples: KeptSamples,
) -> None:
    def listed(kind: str, what: str = "") -> Listed:
        return Listed(1, "", kind, "r", "0", 1, 0, "w", what)

    run = replace(found_run("r"), title="test report to countersign")
    entries = [
        listed("note"),
        listed("concession"),
        listed("notice", "N-1: under review"),
        listed("rejection"),
        replace(listed("run"), path="2026/r/run.h5"),
    ]
    assert states(kept_samples.archive, run, entries) == (
        "file damaged",
        "rejected",
        "paper under review",
        "accepted by concession",
        "waits for a second signature",
        "has remarks",
    )
    ended = [
        listed("notice", "N-1: under review"),
        listed("notice", "N-1: review ended"),
    ]
    assert "paper under review" not in states(kept_samples.archive, run, ended)


# --- side by side, trends ------------------------------------------------------------


def test_runs_are_aligned_where_their_event_was(
    shelf: Shelf, kept_samples: KeptSamples
) -> None:
    beside = BesidePresenter(shelf)
    beside.open(found_runs(kept_samples)[:3])
    waited(beside)
    page = beside.page()
    assert page.steps.chosen == "lockup-1"
    assert page.events.chosen == "shut_off"
    assert len(page.lines) == 3
    assert len({line.name for line in page.lines}) == 3
    for line in page.lines:
        # the outlet rises at its shut-off, in each run at another time of its own
        before = line.history.extent(line.shift_s - 8.0, line.shift_s - 6.0)
        after = line.history.extent(line.shift_s + 6.0, line.shift_s + 8.0)
        assert before is not None
        assert after is not None
        assert after[0] > before[0]
    span = page.to_s - page.from_s
    beside.zoom(0.5)
    beside.pan(0.2)
    moved = beside.page()
    assert moved.to_s - moved.from_s == pytest.approx(0.5 * span)
    assert beside.whole()
    assert not beside.whole()
    beside.choose("step", "creep-hold")
    beside.choose("event", "shut_off")  # a creep hold has none
    page = beside.page()
    assert page.lines == ()
    assert page.said
    assert "Without this event" in page.missing


def test_a_trend_of_one_value_and_of_none_is_said(shelf: Shelf) -> None:
    trends = TrendPresenter(shelf)
    trends.open({"model": "invented cylinder*"}, simulated=True)
    waited(trends)
    page = trends.page()
    assert [row.words for row in page.rows] == ["one value: nothing to compare it with"]
    assert trends.may_chart
    trends.open({}, simulated=False)
    waited(trends)
    assert trends.page().rows == ()
    assert "F5" in trends.page().said
    assert not trends.may_chart
    assert not trends.may_table
    assert trends.chart() is None
    trends.choose("what", "=shifts")
    assert trends.page().said.startswith("No check at a start of shift")
    trends.choose("what", "set_pressure")
    trends.open({"since": "x"}, simulated=True)  # wrong text counts as none
    waited(trends)
    assert trends.page().rows
    trends.wait()


def test_yields_and_causes_are_shares(shelf: Shelf) -> None:
    trends = TrendPresenter(shelf)
    trends.open({}, simulated=True)
    waited(trends)
    trends.choose("what", "=causes")
    rows = trends.page().rows
    assert sum(row.share or 0.0 for row in rows) == pytest.approx(1.0)
    trends.choose("what", "=yield")
    assert all(0.0 <= (row.share or 0.0) <= 1.0 for row in trends.page().rows)
    assert not trends.page().charts
    trends.wait()


def test_a_day_s_page_turns_and_ends_at_the_ends_of_the_calendar(
    shelf: Shelf,
) -> None:
    tell = TellPresenter(shelf)
    tell.open_day(simulated=True)
    waited(tell)
    assert tell.page().lines[0] == f"Day {date.today()}"
    tell.turn(-1)
    waited(tell)
    assert tell.page().second == str(date.today() - timedelta(days=1))
    tell.day = date.max
    tell.turn(1)
    assert tell.day == date.max


# --- what leaves ---------------------------------------------------------------------


def test_nothing_is_overwritten_or_put_into_the_archive(
    shelf: Shelf, kept_samples: KeptSamples, tmp_path: Path
) -> None:
    saving = Saving(shelf, tmp_path)
    for _ in range(2):
        saving.save(written("a/b \u202e", [(".csv", lambda: b"1")]))
        waited(saving)
    assert len(list(tmp_path.glob("*.csv"))) == 2
    for folder, says in (
        (tmp_path / "none", "no such folder"),
        (kept_samples.folder / "2026", "belongs to the archive"),
    ):
        saving.type(str(folder))
        saving.save(written("x", [(".csv", lambda: b"1")]))
        waited(saving)
        assert saving.wrong
        assert says in saving.said
    assert not list(kept_samples.folder.rglob("*.csv"))
    assert free_name(tmp_path, "a", ".csv").name == "a.csv"


def test_a_bundle_is_made_of_each_run_and_checks_anywhere(
    shelf: Shelf, kept_samples: KeptSamples, tmp_path: Path
) -> None:
    saving = Saving(shelf, tmp_path)
    saving.save(bundles(shelf, found_runs(kept_samples)[:2]))
    waited(saving)
    assert not saving.wrong, saving.said
    made = sorted(tmp_path.glob("*.zip"))
    assert len(made) == 2
    assert {check_bundle(path).run for path in made} == {
        run.run for run in found_runs(kept_samples)[:2]
    }


# --- acts ----------------------------------------------------------------------------


def test_a_boundary_is_looked_at_before_it_is_kept(own_samples: KeptSamples) -> None:
    shelf = Shelf(own_samples.folder, key=own_samples.key)
    act = ActPresenter(shelf, lambda: None)
    run = found_runs(own_samples)[0]
    with shelf.index() as index:
        opened = reviewed(index, own_samples.archive, run)
    finding = next(f for f in opened.judgement.findings if f.step == "lockup-1")

    def judgements() -> int:
        return len(list(own_samples.folder.glob(f"*/{run.run}/judgement-*.json")))

    before = judgements()
    act.open(BOUNDARY, opened, finding)
    typed = dict(act.page().typed)
    begin = time_text(seconds_of(typed["begin"], "") + 2.0)
    who = "I. Ferrand (invented)"
    typed |= {"begin": begin, "why": "touched (invented)", "name": who, "pin": "sec-1"}
    act.do(typed)
    assert act.leave()  # what writes nothing may be left at any time
    act.open(BOUNDARY, opened, finding)
    act.do(typed)
    waited(act)
    page = act.page()
    assert page.looked
    assert not page.wrong
    assert "->" in page.said
    assert page.fields == ()  # simulated: no PIN; what is seen is what is kept
    assert begin in page.lead
    assert "sec-1" not in repr({n: getattr(act, n) for n in vars(act)})
    assert judgements() == before
    assert act.leave()
    act.open(BOUNDARY, opened, finding)  # left to be put right: nothing is typed twice
    page = act.page()
    assert page.typed["begin"] == begin
    assert page.typed["why"] == "touched (invented)"
    act.do(dict(page.typed))
    waited(act)
    act.do({})
    waited(act)
    assert act.page().done, act.page().said
    assert judgements() == before + 1
    shelf.close()


def test_an_act_wants_its_fields_and_keeps_no_pin(
    own_samples: KeptSamples,
) -> None:
    shelf = Shelf(own_samples.folder, key=own_samples.key)
    told: list[bool] = []
    act = ActPresenter(shelf, lambda: told.append(True))
    run = found_runs(own_samples)[0]
    with shelf.index() as index:
        opened = reviewed(index, own_samples.archive, run)
    passed = opened.judgement.findings[0]
    act.open(CONCEDE, opened, passed)
    page = act.page()
    assert (page.done, page.wrong) == (True, True)  # nothing is asked in vain
    assert page.said.startswith("zero/zero_offset is pass, and only a fail")
    act.do({"why": "x", "agreed_by": "y", "until": "2030-01-01", "name": "me"})
    assert not act.page().doing
    act.open(CONCEDE, opened, replace(passed, outcome=Outcome.FAIL))
    page = act.page()
    assert page.fields == ("why", "agreed_by", "until", "name")  # simulated: no PIN
    assert "zero/zero_offset" in page.lead
    act.do({"why": "x", "agreed_by": " ", "until": "", "name": "me"})
    assert act.page().said.startswith("Agreed by")
    act.open(COMMENT, opened, None)
    act.do({"text": "Seen.", "name": "I. Ferrand (invented)", "pin": "secret-pin-1"})
    assert act.page().doing
    assert act.leave()  # nothing leaves what is being written
    assert act.opened == COMMENT
    waited(act)
    assert act.page().done
    assert told == [True]
    assert "secret-pin-1" not in repr({n: getattr(act, n) for n in vars(act)})
    assert act.leave()
    assert not act.leave()
    shelf.close()
