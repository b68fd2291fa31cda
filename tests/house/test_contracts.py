"""Who may import whom: the tree keeps every contract, and each one can be broken."""

import json
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tests.house.tree import ROOMS, ROOT, contracts

pytestmark = pytest.mark.tree

# Runs beside a copy of the rooms: reads what to plant, plants each in turn, lints one
# contract, and takes the plant out again.
_LINT_WITH_PLANTS = """
import contextlib, io, json, pathlib, sys
from importlinter import cli
kept = []
for contract, plants in json.load(sys.stdin):
    before = {}
    for name, text in plants.items():
        path = pathlib.Path(name)
        before[path] = path.read_text("utf-8") if path.exists() else None
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text((before[path] or "") + text, "utf-8")
    with contextlib.redirect_stdout(io.StringIO()) as said:
        code = cli.lint_imports(limit_to_contracts=(contract,), no_cache=True)
    kept.append(code == 0)
    verdict = "0 broken" if code == 0 else "1 broken"
    if verdict not in said.getvalue():
        sys.exit(f"{contract} with {plants}: {said.getvalue()}")
    for path, text in before.items():
        path.unlink() if text is None else path.write_text(text, "utf-8")
print(json.dumps(kept))
"""

Plants = dict[str, str]

VIOLATIONS: list[tuple[str, Plants]] = [
    ("rooms", {"records/__init__.py": "import rig\n"}),
    ("rooms", {"records/__init__.py": "import proofstand.words\n"}),
    ("rooms", {"rig/__init__.py": "import analysis\n"}),
    ("rooms", {"analysis/__init__.py": "import rig\n"}),
    ("rooms", {"analysis/__init__.py": "import proofstand\n"}),
    ("rooms", {"rig/wire/__init__.py": "from proofstand import places\n"}),
    ("rooms", {"proofstand/commands/__init__.py": "import gui\n"}),
    ("inside-records", {"records/planted.py": ""}),
    ("inside-records", {"records/errors.py": "import records.measure\n"}),
    ("inside-records", {"records/trace.py": "import records.tomlfile\n"}),
    ("inside-rig", {"rig/planted.py": ""}),
    ("inside-rig", {"rig/wire/planted.py": "import rig.instruments\n"}),
    ("inside-rig", {"rig/instruments/planted.py": "import rig.simulator\n"}),
    ("inside-analysis", {"analysis/planted.py": ""}),
    (
        "inside-analysis",
        {"analysis/clean.py": "import analysis.judge\n", "analysis/judge.py": ""},
    ),
    ("inside-proofstand", {"proofstand/planted.py": ""}),
    (
        "inside-proofstand",
        {
            "proofstand/places.py": "import proofstand.session\n",
            "proofstand/session.py": "",
        },
    ),
    ("inside-proofstand", {"proofstand/session.py": "import proofstand.commands\n"}),
    (
        "inside-proofstand",
        {
            "proofstand/bench/__init__.py": "import proofstand.demo\n",
            "proofstand/demo.py": "",
        },
    ),
    (
        "inside-proofstand",
        {"proofstand/procedure/planted.py": "from proofstand import signoff\n"},
    ),
    (
        "procedure-knows-no-rig",
        {"proofstand/procedure/planted.py": "import rig.wire\n"},
    ),
    (
        "procedure-knows-no-rig",
        {
            "proofstand/procedure/planted.py": "import proofstand.places\n",
            "proofstand/places.py": "import rig.instruments\n",
        },
    ),
    ("nouns-only", {"analysis/__init__.py": "from records import runfile\n"}),
    ("nouns-only", {"proofstand/procedure/planted.py": "import records.tomlfile\n"}),
    ("inside-gui", {"gui/planted.py": ""}),
    ("inside-gui", {"gui/theme.py": "import gui.bench_desk\n"}),
    ("inside-gui", {"gui/bench_desk/__init__.py": "import gui.app\n"}),
    ("window-knows-no-rig", {"gui/planted.py": "from rig import wire\n"}),
]


def homes() -> dict[str, str]:
    """Return the home of each home-of contract, as a dotted name."""
    found = {}
    for name, contract in contracts().items():
        if name.startswith("home-of-"):
            ignored = contract.get("ignore_imports", ["gui -> "])
            found[name] = ignored[0].split(" -> ")[0]
    return found


def violations() -> list[tuple[str, Plants]]:
    """Return every planted violation: those above and one for each library."""
    planted = list(VIOLATIONS)
    for number, library in enumerate(contracts()["pure-rooms"]["forbidden_modules"]):
        room = ("analysis", "proofstand/procedure")[number % 2]
        planted.append(("pure-rooms", {f"{room}/planted.py": f"import {library}\n"}))
    for name, home in homes().items():
        next_door = home.split(".")[0] if "." in home else "proofstand"
        for library in contracts()[name]["forbidden_modules"]:
            for room in {next_door, "analysis"}:
                planted.append((name, {f"{room}/planted.py": f"import {library}\n"}))
    return planted


def lint(folder: Path, plants: list[tuple[str, Plants]]) -> list[bool]:
    """Return for each contract, with its plants, whether the linter calls it kept."""
    done = subprocess.run(
        [sys.executable, "-c", _LINT_WITH_PLANTS],
        cwd=folder,
        input=json.dumps(plants),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    kept = json.loads(done.stdout.splitlines()[-1])
    assert isinstance(kept, list)
    return kept


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Return a copy of the rooms and of the contracts."""
    folder = tmp_path / "copy"
    for room in ROOMS:
        shutil.copytree(
            ROOT / room, folder / room, ignore=shutil.ignore_patterns("__pycache__")
        )
    shutil.copy(ROOT / "pyproject.toml", folder)
    return folder


def test_the_tree_keeps_every_contract() -> None:
    lint_all = "import sys; from importlinter.cli import lint_imports as lint; "
    done = subprocess.run(
        [sys.executable, "-c", lint_all + "sys.exit(lint(no_cache=True))"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_planted_violation_is_caught(copy: Path) -> None:
    planted = violations()
    kept = lint(copy, planted)
    missed = [plant for plant, was_kept in zip(planted, kept, strict=True) if was_kept]
    assert missed == []


def test_a_library_is_welcome_in_its_home(copy: Path) -> None:
    plants: list[tuple[str, Plants]] = []
    for name, home in homes().items():
        path = home.replace(".", "/")
        package = (copy / path).is_dir()
        file = f"{path}/__init__.py" if package else f"{path}.py"
        for library in contracts()[name]["forbidden_modules"]:
            plants.append((name, {file: f"import {library}\n"}))
    refused = [
        plant
        for plant, was_kept in zip(plants, lint(copy, plants), strict=True)
        if not was_kept
    ]
    assert refused == []


def test_each_contract_has_a_planted_violation() -> None:
    planted = Counter(name for name, _ in violations())
    assert set(planted) == set(contracts())


def test_each_room_s_contract_is_exhaustive() -> None:
    exhaustive = {
        container
        for contract in contracts().values()
        if contract.get("exhaustive")
        for container in contract["containers"]
    }
    assert exhaustive == set(ROOMS)
