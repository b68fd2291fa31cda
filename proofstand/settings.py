"""The shop's settings: one typed file, which need not be there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from records.tomlfile import load_toml, read_text

from . import places

FORMAT = "proofstand.settings/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a shop has set.

    Attributes:
        archive_folder: where records are kept, "" for the place of the user.
        archive_url: of the database that finds them, "" for a file of this computer.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}
    format: str = FORMAT
    archive_folder: str = ""
    archive_url: str = ""


def settings(path: Path | None = None) -> Settings:
    """Return the settings; without a file all are as they come.

    Args:
        path: their file; None takes the user's.

    Raises:
        InputError: the file can't be read, with line and key.
    """
    path = places.settings_file() if path is None else path
    if not path.exists():
        return Settings()
    return load_toml(read_text(path, "settings"), Settings, str(path), FORMAT)
