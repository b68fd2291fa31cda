"""Archives for tests: a key without a library, items out of bytes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from records.archive.chain import Archive, Item, Kept
from records.archive.entry import Fact
from records.runfile import Signature


@dataclass(frozen=True)
class PlainKey:
    """A key that is a secret word; good enough to tell whose signature it is."""

    secret: str = "bench"

    @property
    def key_id(self) -> str:
        return hashlib.sha256(self.secret.encode()).hexdigest()

    def sign(self, data: bytes) -> Signature:
        digest = hashlib.sha256(self.secret.encode() + data).hexdigest()
        return Signature(self.key_id, digest)

    def fits(self, data: bytes, signature: Signature) -> bool:
        return self.sign(data) == signature


KEY = PlainKey()


def begun(folder: Path) -> Archive:
    archive = Archive(folder)
    archive.make(KEY, "tests")
    return archive


def note(
    archive: Archive,
    text: str,
    *,
    run: str = "run-1",
    name: str = "note-{n}.json",
    **about: Fact,
) -> Item:
    return Item(
        staged=archive.stage(text.encode(), "note"),
        folder=f"2026/{run}",
        name=name,
        kind="note",
        what="a note",
        about={"run": run, **about},
    )


def add(archive: Archive, *texts: str, run: str = "run-1") -> tuple[Kept, ...]:
    items = [note(archive, text, run=run) for text in texts]
    return archive.add(items, key=KEY, who="tests")


def texts(archive: Archive) -> list[str]:
    """Return what is kept, in the chain's order."""
    return [
        (archive.folder / entry.path).read_text("utf-8")
        for entry in archive.entries()
        if entry.path
    ]
