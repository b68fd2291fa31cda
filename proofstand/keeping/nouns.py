"""Records of the shop itself: plans, rigs, calibrations, people, instruments, cards."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

from records.approval import Approval
from records.archive.chain import Item
from records.archive.entry import Fact, safe_name
from records.archive.files import Staged
from records.calibrationfile import load_record, load_reference
from records.errors import InputError
from records.jobfile import load_job, load_people
from records.planfile import load_plan
from records.tomlfile import from_json, text_sha256
from rig.rigfile import load_rig

from ..signoff.heads import public_keys

Facts = dict[str, Fact]


def shop_item(path: Path, kind: str, made: Staged) -> Item:
    """Return a record of the shop as it is to be kept, once it is shown to be whole.

    Args:
        path: its file.
        kind: what it says it is.
        made: its copy in the archive's stage.

    Raises:
        InputError: it can't be read as what it says that it is.
        IntegrityError: a calibration record was changed.
    """
    facts = _READERS[kind](path)
    name = str(facts["id"])
    ending = ".pem" if kind == "key" else path.suffix.lower()
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
}
