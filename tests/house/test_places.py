"""Everything of the user's lies where places.py says, and nothing lands elsewhere."""

import logging
import os
import re
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from proofstand import log, places

FOLDERS = [
    places.settings_dir,
    places.archive_dir,
    places.index_dir,
    places.approvals_dir,
    places.shifts_dir,
    places.people_dir,
    places.keys_dir,
    places.autosave_dir,
    places.practice_dir,
    places.log_dir,
]


@pytest.fixture
def clean_log() -> Iterator[None]:
    root = logging.getLogger()
    before, level, raising = list(root.handlers), root.level, logging.raiseExceptions
    yield
    for handler in set(root.handlers) - set(before):
        root.removeHandler(handler)
        handler.close()
    root.setLevel(level)
    logging.raiseExceptions = raising
    logging.captureWarnings(False)


@pytest.mark.parametrize("folder", FOLDERS)
def test_the_variable_moves_every_folder(
    folder: Callable[[], Path], own_places: Path
) -> None:
    assert folder().is_relative_to(own_places)
    assert not own_places.exists(), "asking for a path creates nothing"


def test_the_folders_are_apart() -> None:
    assert len({folder() for folder in FOLDERS}) == len(FOLDERS)


@pytest.mark.parametrize("value", ["", "   "])
def test_an_empty_variable_counts_as_unset(
    value: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PROOFSTAND_HOME", value)
    assert places.home() is None
    for folder in FOLDERS:
        assert folder().is_absolute()
        assert "proofstand" in folder().parts


def test_a_relative_folder_is_taken_from_where_we_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PROOFSTAND_HOME", "shop")
    assert places.archive_dir() == tmp_path / "shop" / "archive"


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps a user's folders private")
def test_a_private_folder_is_private() -> None:
    keys = places.made(places.keys_dir(), private=True)
    assert stat.S_IMODE(keys.stat().st_mode) == 0o700


def test_a_file_in_the_way_is_an_error(own_places: Path) -> None:
    own_places.write_text("not a folder")
    with pytest.raises(OSError, match="keys"):
        places.made(places.keys_dir())


@pytest.mark.usefixtures("clean_log")
def test_the_log_is_started_once_and_written(own_places: Path) -> None:
    ours = log.start_log()
    assert log.start_log() is ours
    logging.getLogger("rig").warning("the supply is low")
    assert log.log_path().is_relative_to(own_places)
    lines = log.log_path().read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1
    assert lines[0].endswith("WARNING rig: the supply is low")
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z ", lines[0])


@pytest.mark.usefixtures("clean_log")
def test_a_log_that_cannot_be_written_stops_nothing(
    own_places: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own_places.write_text("not a folder")
    log.start_log().info("nobody has to see this")
    log.start_log().warning("the rig went silent")
    said = capsys.readouterr().err
    assert said.count("can't be written") == 1
    assert "the rig went silent" in said
    assert "nobody" not in said


COMMANDS = [
    ["--help"],
    ["plan", "list"],
    ["simulate", "--list-faults"],
    ["judge", "no-such-run.h5"],
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_nothing_lands_outside(command: list[str], tmp_path: Path) -> None:
    folders = {
        name: tmp_path / name for name in ("shop", "user", "here", "scratch", "run")
    }
    for folder in folders.values():
        folder.mkdir()
    env = {
        **{k: v for k, v in os.environ.items() if not k.startswith("XDG_")},
        "PROOFSTAND_HOME": str(folders["shop"]),
        "HOME": str(folders["user"]),
        "USERPROFILE": str(folders["user"]),
        "APPDATA": str(folders["user"]),
        "LOCALAPPDATA": str(folders["user"]),
        "TMPDIR": str(folders["scratch"]),
        "XDG_RUNTIME_DIR": str(folders["run"]),
    }
    done = subprocess.run(
        [sys.executable, "-m", "proofstand", *command],
        cwd=folders["here"],
        env=env,
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert "Traceback" not in done.stderr
    assert done.returncode in {0, 2}
    landed = {
        name: [str(path) for path in folder.rglob("*")]
        for name, folder in folders.items()
        if name != "shop" and any(folder.iterdir())
    }
    assert landed == {}


def test_without_the_variable_a_command_does_use_the_user_s_folders(
    tmp_path: Path,
) -> None:
    """Shows that the test above looks where things would land."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("XDG_")}
    env.pop("PROOFSTAND_HOME")
    env |= {"HOME": str(tmp_path), "LOCALAPPDATA": str(tmp_path)}
    program = (
        "from proofstand.log import log_path, start_log; start_log(); print(log_path())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=env,
        capture_output=True,
        text=True,
        check=True,
    )
    written = Path(done.stdout.strip())
    assert written.is_file()
    assert written.is_relative_to(tmp_path)
