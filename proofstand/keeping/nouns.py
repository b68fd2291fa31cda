"""Records of the shop itself: plans, rigs, calibrations, people, instruments, cards."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

from records.approval import Approval
from records.archive import entry as kinds
from records.archive.chain import Item
from records.archive.entry import Fact, safe_name
from records.archive.files import Staged, opened
from records.calibrationfile import load_record, load_reference
from records.errors import InputError, RefusedError
from records.jobfile import load_job, load_people
from records.journal import is_journal
from records.planfile import load_plan
from records.shift import RigChange
from records.shiftfile import read_record
from records.tomlfile import from_json, text_sha256
from rig.rigfile import load_rig

from ..signoff.heads import public_keys
from ..signoff.notes import RECALL, Note, load_note

Facts = dict[str, Fact]
ROLL_FORMAT = "proofstand.roll/1"
_SNIFFED = 8192
_NAMED = re.compile(rb'"?(?:format|schema)"?\s*[=:]\s*"proofstand\.([a-z-]+)/\d+"')


def sort_of(path: Path) -> str:
    """Return which kind of record a file is, by what it says of itself.

    Raises:
        InputError: it can't be read, or is nothing that an archive keeps.
        RefusedError: ``run_not_sealed``.
    """
    with opened(path, "record") as file:
        try:
            start = file.read(_SNIFFED)
        except OSError as error:
            why = error.strerror or str(error)
            raise InputError(
                "file_unreadable", where=str(path), what="record", why=why
            ) from None
    if not start:
        raise InputError("file_empty", where=str(path), what="record")
    if is_journal(path):
        raise RefusedError("run_not_sealed", where=str(path))
    if start.startswith(b"%PDF-"):
        return kinds.CERTIFICATE
    if start.startswith(b"-----BEGIN PUBLIC KEY"):
        return "key"
    named = re.search(
        rb'"?(?:format|schema)"?\s*[=:]\s*"proofstand\.([a-z-]+)/\d+"', start
    )
    word = named[1].decode() if named is not None else ""
    if word == kinds.RUN or b"\x89HDF" in start:
        return kinds.RUN
    if word in (*kinds.SHOP_KINDS, *kinds.SIGNED_NOTES, kinds.NOTICE):
        return word
    raise InputError("file_not_ours", where=str(path), what="record to keep")


def shop_item(path: Path, kind: str, made: Staged, ending: str = "") -> Item:
    """Return a record of the shop as it is to be kept, once it is shown to be whole.

    Args:
        path: its file.
        kind: what it says it is.
        made: its copy in the archive's stage.
        ending: of its name in the archive; "" takes that of the file.

    Raises:
        InputError: it can't be read as what it says that it is.
        IntegrityError: a calibration record was changed.
    """
    facts = _READERS[kind](path)
    name = str(facts["id"])
    ending = ".pem" if kind == "key" else ending or path.suffix.lower()
    if ending not in (".toml", ".json", ".pem"):
        ending = ".txt"
    return Item(
        staged=made,
        folder=f"shop/{kind}/{safe_name(name)}",
        name=f"{kind}-{{n}}{ending}",
        kind=kind,
        what=f"{kind} {name}",
        about=facts,
    )


def _plan(path: Path) -> Facts:
    plan, text = load_plan(path)
    return {"id": plan.id, "version": plan.version, "text_sha256": text_sha256(text)}


def _rig(path: Path) -> Facts:
    rig = load_rig(path)
    dues = [c.calibration.due for c in rig.channels if c.calibration is not None]
    return {"id": rig.id, "simulated": rig.simulated, "due": _first(dues)}


def _calibration(path: Path) -> Facts:
    record = load_record(path)
    return {
        "id": record.id,
        "rig": record.rig,
        "channel": record.channel,
        "date": record.date.isoformat(),
        "due": record.due.isoformat(),
    }


def _reference(path: Path) -> Facts:
    found = load_reference(path)
    return {"id": found.id, "serial": found.serial, "due": found.due.isoformat()}


def _people(path: Path) -> Facts:
    return {"id": "people", "people": len(load_people(path).people)}


def _job(path: Path) -> Facts:
    job = load_job(path)
    received = job.intake.received if job.intake is not None else None
    return {
        "id": job.id,
        "serial": job.regulator.serial,
        "customer": job.intake.sender if job.intake is not None else "",
        "received": "" if received is None else received.isoformat(),
    }


def _approval(path: Path) -> Facts:
    try:
        told = json.loads(path.read_bytes())
        told.pop("sha256", None)
        found = from_json(json.dumps(told), Approval)
    except (ValueError, AttributeError, OSError):
        raise InputError("file_not_ours", where=str(path), what="approval") from None
    return {
        "id": f"{found.plan}-{found.version}",
        "plan_sha256": found.plan_sha256,
        "by": found.by,
    }


def _shift(path: Path) -> Facts:
    try:
        text = path.read_text("utf-8")
        told = json.loads(text) if text.startswith("{") else tomllib.loads(text)
        return {
            "id": str(told["id"]),
            "rig": str(told["rig"]),
            "station": str(told["station"]),
            "passed": bool(told["passed"]),
        }
    except (ValueError, KeyError, TypeError, OSError):
        raise InputError("file_not_ours", where=str(path), what="shift check") from None


def _key(path: Path) -> Facts:
    return {"id": public_keys([path])[0].key_id}


def _recall(path: Path) -> Facts:
    return recall_facts(load_note(path, RECALL))


def recall_facts(note: Note) -> Facts:
    """Return what a recall is found by."""
    facts = note.facts
    return {
        "id": str(facts["recall"]),
        "since": str(facts["since"]),
        "until": str(facts["until"]),
        "runs": len(facts["runs"]),
        "marked": len(facts["marked"]),
        "by": note.by,
    }


def _roll(path: Path) -> Facts:
    try:
        told = json.loads(path.read_bytes())
        return {
            "id": str(told["id"])[:16],
            "people": len(told["people"]),
            "events": int(told["events"]),
            "last": str(told["last"]),
        }
    except (ValueError, KeyError, TypeError, OSError):
        raise InputError("file_not_ours", where=str(path), what="roll") from None


def _rig_change(path: Path) -> Facts:
    change = read_record(path, RigChange)
    return {"id": f"{change.rig}-{change.utc_ns}", "rig": change.rig, "by": change.by}


def _first(dues: list[date]) -> str:
    return min(dues).isoformat() if dues else ""


_READERS: dict[str, Callable[[Path], Facts]] = {
    "plan": _plan,
    "rig": _rig,
    "calibration": _calibration,
    "reference": _reference,
    "people": _people,
    "job": _job,
    "approval": _approval,
    "shift": _shift,
    "key": _key,
    "recall": _recall,
    "roll": _roll,
    "rig-change": _rig_change,
}
