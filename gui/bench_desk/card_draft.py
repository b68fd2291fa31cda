"""A job card while it is being filled in: what was typed, as it was typed. Knows no Qt.

A draft holds texts only, so that half a date or a unit not yet there is kept too. It is
laid down in the user's folder of unsaved forms at every pause; saved, it becomes a card
file, and the draft goes.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

from proofstand.places import autosave_dir, made
from records.errors import InputError
from records.inspection import RESULTS_OF
from records.jobcard import FORMAT, INLET_ACTS, Ending, JobCard
from records.jobfile import parse_job, toml_value
from records.materials import LUBRICANTS, SEALS
from records.measure import Quantity

from .wording import known, said

Sort = Literal["text", "long", "date", "number", "yes", "choice", "list"]
Row = dict[str, str]
YES = "yes"


@dataclass(frozen=True, slots=True)
class Entry:
    """One field of the form.

    Attributes:
        path: where it stands in the file, as ``intake.sender``; of a table's column
            its key alone.
        choices: what may be chosen; with ``open`` something else may be typed as well.
        share: of the width, against its neighbours in a row.
        below: it stands in the second line of its row.
    """

    path: str
    sort: Sort = "text"
    choices: tuple[str, ...] = ()
    open: bool = False
    share: int = 10
    below: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of which there may be any number, as parts and torques."""

    path: str
    columns: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Fields and tables under one heading."""

    id: str
    entries: tuple[Entry, ...] = ()
    table: Table | None = None


_FAMILIES = tuple(INLET_ACTS)
_POINTS = tuple(str(point) for point in RESULTS_OF)
_RESULTS = tuple(dict.fromkeys(str(r) for of in RESULTS_OF.values() for r in of))
_SERIAL = Entry("serial", share=9)
PARTS = Table(
    "rebuild.parts",
    (
        Entry("name", share=15),
        Entry("done", "choice", ("replaced", "reused"), share=12),
        Entry("inspected", "yes", share=7),
        Entry("kit", share=10),
        Entry("lot", share=8),
        Entry("material", "choice", SEALS, share=14),
        Entry("note", share=12),
        _SERIAL,
    ),
)
POINTS = Table(
    "inspection.points",
    (
        Entry("point", "choice", _POINTS, share=16),
        Entry("result", "choice", _RESULTS, share=14),
        Entry("note", share=30),
        _SERIAL,
    ),
)
LUBRICANTS_USED = Table(
    "rebuild.lubricants",
    (
        Entry("name", share=22),
        Entry("kind", "choice", LUBRICANTS, share=14),
        Entry("lot", share=10),
        Entry("where", share=14),
    ),
)
TORQUES = Table(
    "rebuild.torques",
    (
        Entry("what", share=15),
        Entry("torque", share=11),
        Entry("sequence", share=15),
        Entry("wrench", share=8),
        Entry("wrench_due", "date", share=11),
        Entry("note", share=9),
        _SERIAL,
    ),
)
DISPOSITION = Table(
    "disposition",
    (
        Entry("ending", "choice", get_args(Ending), share=18),
        Entry("by", share=17),
        Entry("date", "date", share=11),
        Entry("adjuster_seal", share=12),
        Entry("bag_seal", share=12),
        Entry("how", share=20, below=True),
        Entry("note", share=20, below=True),
        Entry("serial", share=10, below=True),
    ),
)
# The pages of the form, each with its groups, in the order of the work.
PAGES: Mapping[str, tuple[Group, ...]] = {
    "regulator": (
        Group(
            "stamped",
            (
                Entry("id"),
                Entry("regulator.serial"),
                Entry("regulator.model"),
                Entry("regulator.family", "choice", _FAMILIES, open=True),
                Entry("regulator.gas"),
                Entry(
                    "regulator.inlet_acts",
                    "choice",
                    ("opening", "closing", "balanced"),
                ),
                Entry("regulator.nameplate.inlet_max"),
                Entry("regulator.nameplate.outlet_min"),
                Entry("regulator.nameplate.outlet_max"),
                Entry("regulator.nameplate.outlet_rating"),
                Entry(
                    "regulator.nameplate.relief",
                    "choice",
                    ("internal", "external", "none fitted"),
                ),
                Entry("serials", "list"),
                Entry("upstream_card"),
            ),
        ),
        Group(
            "asked",
            (
                Entry("set_pressure"),
                Entry("mounting"),
                Entry("test_gas"),
                Entry("test_gas_reason"),
                Entry("technician"),
                Entry("notes", "long"),
            ),
        ),
    ),
    "intake": (
        Group(
            "came_in",
            (
                Entry("intake.sender"),
                Entry("intake.reason"),
                Entry("intake.received", "date"),
                Entry("intake.by"),
                Entry("intake.date_code"),
                Entry("intake.made", "date"),
                Entry("intake.rebuilds", "number"),
                Entry("intake.serial_unreadable", "yes"),
                Entry("intake.shop_number"),
            ),
        ),
        Group(
            "purge",
            (
                Entry("last_service"),
                Entry("purged", "yes"),
                Entry("intake.stated_by"),
                Entry("intake.stated_on", "date"),
            ),
        ),
        Group(
            "as_found",
            (
                Entry("as_found.done", "yes"),
                Entry("as_found.run"),
                Entry("as_found.skipped", "long"),
            ),
        ),
    ),
    "inspection": (
        Group(
            "looked",
            (Entry("inspection.by"), Entry("inspection.date", "date")),
            POINTS,
        ),
    ),
    "rebuild": (
        Group(
            "work",
            (
                Entry("rebuild.by"),
                Entry("rebuild.date", "date"),
                Entry("rebuild.kit"),
                Entry("rebuild.lot"),
                Entry("rebuild.kit_replaces", "list"),
                Entry("rebuild.keep_until", "date"),
                Entry("rebuild.cured", "date"),
            ),
            PARTS,
        ),
        Group("lubricants", table=LUBRICANTS_USED),
        Group("torques", table=TORQUES),
        Group(
            "cleaning",
            (
                Entry("rebuild.cleaning.how"),
                Entry("rebuild.cleaning.by"),
                Entry("rebuild.cleaning.date", "date"),
            ),
        ),
    ),
    "disposition": (Group("ends", table=DISPOSITION),),
}
ENTRIES = {
    entry.path: entry
    for groups in PAGES.values()
    for group in groups
    for entry in group.entries
}
TABLES = {
    group.table.path: group.table
    for groups in PAGES.values()
    for group in groups
    if group.table is not None
}
_NEEDED = (
    "id",
    "regulator.serial",
    "regulator.model",
    "regulator.family",
    "regulator.gas",
)


@dataclass(slots=True)
class Draft:
    """What is typed: single fields by their path, rows by their table's path."""

    values: dict[str, str] = field(default_factory=dict)
    rows: dict[str, list[Row]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Looked:
    """A draft looked at.

    Attributes:
        job: the card, or None while something of it can't be.
        text: the file that it makes.
        error: what can't be. field: the path of the field, or ``table/row/key``.
    """

    job: JobCard | None
    text: str
    error: InputError | None = None
    field: str = ""


def fresh() -> Draft:
    """Return the draft of a new card: all points of the inspection, nothing in them."""
    return Draft(
        values={"test_gas": "nitrogen"},
        rows={POINTS.path: [{"point": point} for point in _POINTS]},
    )


def draft_of(job: JobCard) -> Draft:
    """Return a card as a draft; points that it does not tell of stand there open."""
    draft = Draft()
    for path, entry in ENTRIES.items():
        draft.values[path] = _as_typed(_found(job, path), entry)
    for path, table in TABLES.items():
        nouns = _found(job, path) or ()
        draft.rows[path] = [
            {c.path: _as_typed(getattr(noun, c.path), c) for c in table.columns}
            for noun in nouns
        ]
    seen = {row["point"] for row in draft.rows[POINTS.path]}
    draft.rows[POINTS.path] += [{"point": p} for p in _POINTS if p not in seen]
    return draft


def _found(noun: Any, path: str) -> Any:
    for name in path.split("."):
        noun = None if noun is None else getattr(noun, name)
    return noun


def _as_typed(value: Any, entry: Entry) -> str:
    if entry.sort == "yes":
        return YES if value else ""
    if value is None:
        return ""
    if isinstance(value, Quantity):
        return value.typed
    if isinstance(value, datetime.date):
        return value.isoformat()
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def look_at_draft(draft: Draft) -> Looked:
    """Return what the draft makes as a card, or the first thing that can't be."""
    text, places = _written(draft)
    name = "card"
    try:
        return Looked(parse_job(text, name), text)
    except InputError as error:
        # the place of a field in the form stands in for a line of a file nobody sees
        line = re.match(rf"{name}:(\d+)", error.where)
        at = places.get(int(line[1]), "") if line else ""
        facts = dict(error.facts)
        place = at or facts.get("key", "")
        if "key" in facts and known("card", "field", place):
            facts["key"] = said("card", "field", place)  # as the form calls it
        return Looked(None, text, type(error)(error.id, **facts), place)


_MOST_WRONG = 12  # fields; who has more mends these first
# What stands in for a needed field that is empty, so that the next one is looked at.
_STANDS_IN = {"regulator.family": _FAMILIES[0]}


def all_wrong(draft: Draft) -> dict[str, InputError]:
    """Return what can't be, by field: each is looked at as if those before were mended.

    What no field is the cause of stands under "".
    """
    found: dict[str, InputError] = {}
    left = Draft(
        dict(draft.values),
        {path: [dict(row) for row in rows] for path, rows in draft.rows.items()},
    )
    while len(found) < _MOST_WRONG:
        looked = look_at_draft(left)
        if looked.error is None or looked.field in found:
            break
        found[looked.field] = looked.error
        if not _let_be(left, looked.field):
            break
    return found


def _let_be(draft: Draft, place: str) -> bool:
    """Take away what can't be in a field; return whether something was."""
    if "/" in place:
        path, number, column = place.split("/")
        rows = draft.rows.get(path, [])
        if not column or int(number) >= len(rows):
            return False
        return rows[int(number)].pop(column, None) is not None
    if place not in ENTRIES:
        return False
    stand_in = _STANDS_IN.get(place, "x") if place in _NEEDED else ""
    draft.values[place] = stand_in
    return True


def _written(draft: Draft) -> tuple[str, dict[int, str]]:
    """Return the file's text, and which field stands on which line."""
    lines = [f'format = "{FORMAT}"']
    places: dict[int, str] = {}

    def put(key: str, value: str, entry: Entry, place: str) -> None:
        lines.append(f"{key} = {_toml(value, entry)}")
        places[len(lines)] = place

    tables: dict[str, list[tuple[str, Entry]]] = {}
    for path, entry in ENTRIES.items():
        table, _, key = path.rpartition(".")
        tables.setdefault(table, []).append((key, entry))
    for table, entries in tables.items():
        told = [
            (key, entry, draft.values.get(entry.path, "").strip())
            for key, entry in entries
        ]
        kept = [each for each in told if each[2] or each[1].path in _NEEDED]
        if not kept:
            continue
        if table:
            lines += ["", f"[{table}]"]
        for key, entry, value in kept:
            put(key, value, entry, entry.path)
        # rows of a table inside this one come right after it
        for rows_of in TABLES.values():
            if rows_of.path.rpartition(".")[0] == table and table:
                _put_rows(rows_of, draft, lines, places)
    for rows_of in TABLES.values():
        above = rows_of.path.rpartition(".")[0]
        if not above or f"[{above}]" not in lines:
            _put_rows(rows_of, draft, lines, places)
    return "\n".join(lines) + "\n", places


def _put_rows(
    table: Table, draft: Draft, lines: list[str], places: dict[int, str]
) -> None:
    for n, row in enumerate(draft.rows.get(table.path, [])):
        if not is_told(table, row):
            continue
        lines += ["", f"[[{table.path}]]"]
        places[len(lines)] = f"{table.path}/{n}/"
        for column in table.columns:
            value = row.get(column.path, "").strip()
            if value:
                lines.append(f"{column.path} = {_toml(value, column)}")
                places[len(lines)] = f"{table.path}/{n}/{column.path}"


def is_told(table: Table, row: Row) -> bool:
    """Tell whether a row says anything; a point without a result does not."""
    keys = [c.path for c in table.columns if c.path != "point"]
    return any(row.get(key, "").strip() for key in keys)


def _toml(value: str, entry: Entry) -> str:
    if entry.sort == "yes":
        return "true" if value else "false"
    if entry.sort == "date" and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        try:
            return datetime.date.fromisoformat(value).isoformat()
        except ValueError:
            return toml_value(value)
    if entry.sort == "number" and re.fullmatch(r"\d{1,6}", value):
        return str(int(value))
    if entry.sort == "list":
        return toml_value(tuple(v.strip() for v in value.split(",") if v.strip()))
    return toml_value(value)


# --- what is not lost ----------------------------------------------------------------


def draft_file(card: str) -> Path:
    """Return where the unsaved draft of a card lies; "" for a new card's."""
    name = "new"
    if card:
        full = str(Path(card).absolute())
        name = hashlib.sha256(full.encode()).hexdigest()[:16]
    return autosave_dir() / f"job-card-{name}.json"


def keep(card: str, draft: Draft) -> None:
    """Lay a draft down, whole or not at all.

    Raises:
        InputError: ``file_unwritable``.
    """
    path = draft_file(card)
    content = {"card": card, "values": draft.values, "rows": draft.rows}
    beside = path.with_suffix(".part")
    try:
        made(path.parent, private=True)
        with beside.open("w", encoding="utf-8") as file:
            json.dump(content, file, ensure_ascii=True)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except OSError as error:
        raise InputError(
            "file_unwritable", where=str(path), why=error.strerror or error
        ) from None


def kept(card: str) -> Draft | None:
    """Return the draft that was laid down for a card, or None."""
    try:
        content = json.loads(draft_file(card).read_text("utf-8"))
        values = {str(k): str(v) for k, v in content["values"].items()}
        rows = {
            str(path): [{str(k): str(v) for k, v in row.items()} for row in rows]
            for path, rows in content["rows"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return Draft(values, rows)


def let_go(card: str) -> None:
    """Take a draft away: what it held is in a card's file now."""
    draft_file(card).unlink(missing_ok=True)


def set_aside(card: str) -> None:
    """Put a draft aside under a name of its own, where it is no longer taken up."""
    path = draft_file(card)
    number = 1
    while (aside := path.with_suffix(f".aside-{number}.json")).exists():
        number += 1
    if path.exists():
        path.rename(aside)


def same(one: Draft, other: Draft) -> bool:
    """Tell whether two drafts say the same."""
    return _told(one) == _told(other)


def _told(draft: Draft) -> tuple[object, object]:
    values = {k: v.strip() for k, v in draft.values.items() if v.strip()}
    rows = {
        path: [
            {k: v.strip() for k, v in row.items() if v.strip()}
            for row in draft.rows.get(path, [])
            if is_told(table, row)
        ]
        for path, table in TABLES.items()
    }
    return values, rows
