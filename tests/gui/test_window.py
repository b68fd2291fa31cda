"""The window for real: on an X server, in a process of its own, closed and killed."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import NoReturn

import pytest
from PySide6.QtGui import QImage

from proofstand.commands.main import main
from proofstand.commands.window import WindowOptions, opener
from records.errors import InputError
from records.journal import read_journal
from records.run import MarkKind, RunState
from records.runfile import open_run
from tests.gui.xvfb import XServer, without_display
from tests.proofstand.rigs import command, served

ROOT = Path(__file__).parents[2]
WAIT_S = 40.0


def run(*arguments: object, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*arguments), env=env, capture_output=True, text=True, timeout=WAIT_S
    )


def wait_until(seen: Callable[[], bool], what: str, seconds: float = WAIT_S) -> None:
    until = time.monotonic() + seconds
    while not seen():
        assert time.monotonic() < until, f"not within {seconds} s: {what}"
        time.sleep(0.05)


def programs_about(folder: Path) -> list[str]:
    """Return the command lines of what runs and names this folder."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(folder) in words and str(os.getpid()) != entry.parent.name:
            found.append(words)
    return found


# --- the whole test ------------------------------------------------------------------


@pytest.mark.serial
def test_a_whole_simulated_test_without_a_click(
    screen: XServer, tmp_path: Path
) -> None:
    env = {**screen.environment, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "tests.gui.watched", str(tmp_path)],
        env=env,
        capture_output=True,
        text=True,
        timeout=160.0,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout.splitlines()[-1])
    assert seen["platform"] == "xcb"
    assert seen["pictures"] == ["start.png", "setting.png", "lockup.png", "verdict.png"]
    assert seen["verdict"][0] == "pass", done.stderr
    assert {"Raise the inlet", "Set the outlet", "Close slowly:", "Hands off."} <= set(
        seen["words"]
    )
    assert seen["threads"] == ["MainThread"]
    paper = Path(seen["verdict"][1])
    assert paper.read_bytes().startswith(b"%PDF")
    assert main(["verify", str(tmp_path / "shop" / "run.h5"), str(paper)]) == 0
    for name in seen["pictures"]:
        picture = QImage(str(tmp_path / name))
        assert (picture.width(), picture.height()) == (1366, 768)
        assert _inks_of(picture) > 20
    assert programs_about(tmp_path) == []


def _inks_of(picture: QImage) -> int:
    return len(
        {
            picture.pixel(x, y)
            for x in range(0, picture.width(), 3)
            for y in range(0, picture.height(), 3)
        }
    )


# --- closed and killed in mid-run ----------------------------------------------------


@contextmanager
def at_work(screen: XServer, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Open the window on a served rig, its test begun by itself."""
    with served(folder, 20.0) as rig:
        window = subprocess.Popen(
            command(
                "window",
                *("--rig", rig),
                *("--job", folder / "job.toml"),
                *("--out", folder / "run.h5"),
                *("--hands", "simulated"),
                "--light",
            ),
            env=screen.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        try:
            journal = folder / "run.journal"
            wait_until(
                lambda: (
                    window.poll() is not None
                    or (journal.exists() and journal.stat().st_size > 40_000)
                ),
                "readings in the journal",
            )
            assert window.poll() is None, window.communicate()[0]
            yield window
        finally:
            if window.poll() is None:
                window.kill()
            window.wait(20)
            if window.stdout is not None:
                window.stdout.close()


@pytest.mark.serial
def test_a_polite_end_signal_ends_the_test_and_seals_it(
    screen: XServer, tmp_path: Path
) -> None:
    with at_work(screen, tmp_path) as window:
        window.send_signal(signal.SIGTERM)
        said, _ = window.communicate(timeout=WAIT_S)
    assert (window.returncode, said) == (0, "")
    _is_abandoned(tmp_path)


@pytest.mark.serial
def test_a_window_closed_twice_ends_the_test_and_seals_it(
    screen: XServer, tmp_path: Path, lacks: Callable[[str], NoReturn]
) -> None:
    xdotool = shutil.which("xdotool")
    if xdotool is None:
        lacks("xdotool")
    find = [xdotool, "search", "--sync", "--onlyvisible", "--name", "Proofstand"]
    close = [*find, "windowfocus", "key", "ctrl+q"]
    with at_work(screen, tmp_path) as window:
        size = (tmp_path / "run.journal").stat().st_size
        subprocess.run(close, env=screen.environment, check=True, timeout=WAIT_S)
        wait_until(
            lambda: (tmp_path / "run.journal").stat().st_size > size + 20_000,
            "the test to go on while it is asked",
        )
        assert window.poll() is None
        subprocess.run(close, env=screen.environment, check=True, timeout=WAIT_S)
        said, _ = window.communicate(timeout=WAIT_S)
    assert (window.returncode, said) == (0, "")
    _is_abandoned(tmp_path)


def _is_abandoned(folder: Path) -> None:
    sealed = open_run(folder / "run.h5")
    assert sealed.state is RunState.SEALED
    # a busy computer has the recorder count late readings after the end
    last = [mark for mark in sealed.marks if mark.by != "recorder"][-1]
    assert last.kind is MarkKind.ABANDONED
    assert last.data["why"] == "stopped at the window"
    assert not (folder / "run.journal").exists()
    assert programs_about(folder) == []


@pytest.mark.serial
def test_a_killed_window_leaves_a_journal_that_opens(
    screen: XServer, tmp_path: Path
) -> None:
    with at_work(screen, tmp_path) as window:
        window.send_signal(signal.SIGKILL)
        window.wait(20)
    journal = tmp_path / "run.journal"
    read = read_journal(journal)
    assert read.closed is None
    assert main(["recover", str(journal), "--out", str(tmp_path / "saved.h5")]) == 0
    assert open_run(tmp_path / "saved.h5").state is RunState.INTERRUPTED
    assert main(["judge", str(tmp_path / "saved.h5")]) == 12
    assert programs_about(tmp_path) == []


# --- where no window can be opened ---------------------------------------------------


@pytest.mark.serial
@pytest.mark.skipif(sys.platform != "linux", reason="X servers are looked for on Linux")
@pytest.mark.parametrize("display", ["", ":987"])
def test_without_a_display_it_says_so(display: str) -> None:
    env = without_display()
    if display:
        env["DISPLAY"] = display
    done = run("window", env=env)
    assert done.returncode == 2
    assert "No window can be opened here" in done.stderr
    assert "proofstand record" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


@pytest.mark.serial
def test_without_the_windows_libraries_it_says_so() -> None:
    code = (
        "import sys; sys.modules['PySide6'] = None;"
        "sys.modules['PySide6.QtCore'] = None;"
        "from proofstand.commands.main import main; sys.exit(main(['window']))"
    )
    env = {**without_display(), "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=env,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
    )
    assert done.returncode == 2
    assert "The window can't be loaded" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_window_that_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata, "entry_points", lambda **_: ())
    with pytest.raises(InputError) as caught:
        opener()
    assert caught.value.id == "window_missing"


def test_the_window_is_found_by_name() -> None:
    from gui.app import open_window

    assert opener() is open_window


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["{folder}/none.h5"], "There is no run file here"),
        (["--simulated", "--out", "{folder}"], "already"),
        (["--hands", "simulated"], "--rig is missing"),
        (
            ["--hands", "simulated", "--rig", "r", "--job", "j", "--out", "o.h5"],
            "There is no",
        ),
        (["--light", "--dark"], "not allowed"),
    ],
)
def test_what_can_t_begin_is_refused_before_a_window_stands_there(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    told: str,
) -> None:
    (tmp_path / "something").touch()

    def no_window() -> Callable[[WindowOptions], int]:
        raise AssertionError("a window was opened")

    monkeypatch.setattr("proofstand.commands.window.opener", no_window)
    filled = [a.format(folder=tmp_path) for a in arguments]
    assert main(["window", *filled]) == 2
    assert told in capsys.readouterr().err
