"""Where Proofstand keeps what belongs to the user; nothing else knows these folders.

Each function returns a path and creates nothing; `made` creates a folder when
something is about to be written there. With the environment variable
``PROOFSTAND_HOME`` set, all of them lie in that one folder.
"""

import os
from pathlib import Path

import platformdirs

HOME_VARIABLE = "PROOFSTAND_HOME"

_NAME = "proofstand"


def home() -> Path | None:
    """Return the one folder that holds everything, or None where the system decides."""
    named = os.environ.get(HOME_VARIABLE, "").strip()
    return Path(named).expanduser().absolute() if named else None


def _system() -> platformdirs.PlatformDirsABC:
    return platformdirs.PlatformDirs(_NAME, appauthor=False, roaming=False)


def settings_dir() -> Path:
    """Return the folder of the settings."""
    own = home()
    return own / "settings" if own else _system().user_config_path


def settings_file() -> Path:
    """Return the one file of settings."""
    return settings_dir() / "settings.toml"


def people_file() -> Path:
    """Return the shop's list of who may work on which gas; it need not be there."""
    return settings_dir() / "people.toml"


def people_dir() -> Path:
    """Return the folder of the shop's roll: who is who, and all that they did."""
    own = home()
    return own / "people" if own else _system().user_data_path / "people"


def work_limits_file() -> Path:
    """Return the shop's limits of age, rebuilds and rubber; it need not be there."""
    return settings_dir() / "work-limits.toml"


def paper_file() -> Path:
    """Return the shop's letterhead and wording of its papers; it need not be there."""
    return settings_dir() / "paper.toml"


def archive_dir() -> Path:
    """Return the folder where runs, judgements and certificates are kept for good."""
    own = home()
    return own / "archive" if own else _system().user_data_path / "archive"


def index_dir() -> Path:
    """Return the folder of databases that find things and can be made anew."""
    own = home()
    return own / "index" if own else _system().user_cache_path / "index"


def approvals_dir() -> Path:
    """Return the folder of the records of which plans were approved."""
    own = home()
    return own / "approvals" if own else _system().user_data_path / "approvals"


def shifts_dir() -> Path:
    """Return the folder of start-of-shift checks, changes and cautions read."""
    own = home()
    return own / "shifts" if own else _system().user_data_path / "shifts"


def recorders_dir() -> Path:
    """Return the folder of notes of the recorders at work, one each."""
    own = home()
    return own / "recorders" if own else _system().user_state_path / "recorders"


def keys_dir() -> Path:
    """Return the folder of the signing keys."""
    own = home()
    return own / "keys" if own else _system().user_data_path / "keys"


def autosave_dir() -> Path:
    """Return the folder of forms that were filled in but not yet kept."""
    own = home()
    return own / "autosave" if own else _system().user_state_path / "autosave"


def practice_dir() -> Path:
    """Return the folder of drills, their runs and what trainees made of them."""
    own = home()
    return own / "practice" if own else _system().user_data_path / "practice"


def log_dir() -> Path:
    """Return the folder of the program's log."""
    own = home()
    return own / "logs" if own else _system().user_log_path


def cache_dir() -> Path:
    """Return the folder of what libraries keep to be faster the next time."""
    own = home()
    return own / "cache" if own else _system().user_cache_path


def made(folder: Path, *, private: bool = False) -> Path:
    """Create a folder, with what lies above it, if it is not there, and return it.

    Args:
        folder: the folder that is about to be written to.
        private: nobody else on the computer may look inside, as for keys. On Windows
            the user's own folders are private as they are.

    Raises:
        OSError: the folder can't be made, or a file of that name is in the way.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if private and os.name != "nt":
        folder.chmod(0o700)
    return folder
