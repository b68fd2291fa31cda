"""The lock holds all that is imported and built with, each file by its hash."""

import ast
import importlib.metadata
import re
import sys

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.house.tree import ROOMS, ROOT, project, room_files

pytestmark = pytest.mark.tree

LOCK = ROOT / "requirements.lock"
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
SYSTEMS = ("linux", "win32")


def entries(text: str) -> list[tuple[Requirement, list[str]]]:
    """Return what a lock's text requires, and the hashes of each."""
    joined = re.sub(r"\\\n", " ", text)
    lines = [line for line in joined.splitlines() if line and line[0] not in "# "]
    found = []
    for line in lines:
        wanted, *hashes = line.split("--hash=")
        found.append((Requirement(wanted), [one.strip() for one in hashes]))
    return found


def locked() -> list[tuple[Requirement, list[str]]]:
    return entries(LOCK.read_text(encoding="utf-8"))


def somewhere(python: str, system: str) -> dict[str, str]:
    """Return the markers' surroundings on another computer."""
    there = {name: str(value) for name, value in default_environment().items()}
    there["python_version"] = python
    there["python_full_version"] = python + ".0"
    there["sys_platform"] = system
    there["platform_system"] = "Windows" if system == "win32" else "Linux"
    there["os_name"] = "nt" if system == "win32" else "posix"
    return there


def held(python: str, system: str) -> dict[str, Version]:
    """Return name and version of what the lock installs on such a computer."""
    there = somewhere(python, system)
    found: dict[str, Version] = {}
    for wanted, _ in locked():
        if wanted.marker is None or wanted.marker.evaluate(there):
            name = canonicalize_name(wanted.name)
            assert name not in found, f"{name} is locked twice for {python} {system}"
            (pin,) = wanted.specifier
            assert pin.operator == "=="
            found[name] = Version(pin.version)
    return found


def declared() -> list[Requirement]:
    """Return what pyproject.toml asks for, to run, to develop and to build."""
    about = project()
    extras = about["project"]["optional-dependencies"].values()
    lists = [about["project"]["dependencies"], about["build-system"]["requires"]]
    return [Requirement(one) for each in [*lists, *extras] for one in each]


def test_every_file_has_its_hash() -> None:
    assert len(locked()) > 20
    for wanted, hashes in locked():
        # A wheel, and for what is built for each system and Python, several.
        assert hashes, wanted.name
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", one) for one in hashes)
        assert len(set(hashes)) == len(hashes)


def test_the_lock_names_no_host_and_no_path() -> None:
    text = LOCK.read_text(encoding="utf-8")
    assert "/" not in text.replace("pyproject.toml", "")
    assert "@" not in text


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("python", PYTHONS)
def test_the_lock_answers_what_is_declared(python: str, system: str) -> None:
    versions = held(python, system)
    for wanted in declared():
        name = canonicalize_name(wanted.name)
        assert name in versions, f"{name}: remake the lock (ADR 1 says how)"
        assert wanted.specifier.contains(versions[name]), (wanted, versions[name])


@pytest.mark.parametrize("backend", ["pathspec", "pluggy", "trove-classifiers"])
def test_what_the_build_needs_is_locked_too(backend: str) -> None:
    """An editable build has no network: its backend's own needs must be there."""
    for python in PYTHONS:
        assert backend in held(python, "linux")


def imported_distributions() -> dict[str, set[str]]:
    """Return the distribution of each import from outside, and the modules' rooms."""
    owners = importlib.metadata.packages_distributions()
    found: dict[str, set[str]] = {}
    for room in ROOMS:
        for path in room_files(room):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names: list[str] = []
                if isinstance(node, ast.Import):
                    names = [alias.name for alias in node.names]
                elif isinstance(node, ast.ImportFrom) and node.level == 0:
                    names = [node.module or ""]
                for name in {name.split(".")[0] for name in names}:
                    if name in sys.stdlib_module_names or name in ROOMS:
                        continue
                    owner = owners.get(name, [name])[0]
                    where = path.relative_to(ROOT).as_posix()
                    found.setdefault(canonicalize_name(owner), set()).add(where)
    return found


def test_all_that_is_imported_is_declared() -> None:
    runtime = {
        canonicalize_name(Requirement(one).name)
        for one in project()["project"]["dependencies"]
    }
    extras = project()["project"]["optional-dependencies"]
    # loaded only where it is asked for, and told in words where it is missing
    asked_for = {canonicalize_name(Requirement(one).name) for one in extras["cluster"]}
    borrowed = {
        # pydantic pins its own core, and its errors come from there
        "pydantic-core",
    }
    undeclared = {
        name: where
        for name, where in imported_distributions().items()
        if name not in runtime | borrowed | asked_for
    }
    assert undeclared == {}


def test_the_environment_is_the_locked_one() -> None:
    """Says so when tests run beside libraries that nobody locked."""
    here = f"{sys.version_info.major}.{sys.version_info.minor}"
    if here not in PYTHONS:
        pytest.skip(f"the lock holds nothing for Python {here}")
    runtime = {
        canonicalize_name(Requirement(one).name)
        for one in project()["project"]["dependencies"]
    }
    wrong = {
        name: (str(version), importlib.metadata.version(name))
        for name, version in held(here, sys.platform).items()
        if name in runtime and importlib.metadata.version(name) != str(version)
    }
    assert wrong == {}


def test_a_lock_without_hash_would_be_seen() -> None:
    (numpy, hashes), (other, none) = entries(
        "numpy==2.4.6 ; python_full_version < '3.12' \\\n"
        "    --hash=sha256:" + "0" * 64 + " \\\n    --hash=sha256:" + "1" * 64 + "\n"
        "pyserial==3.5\n"
    )
    assert (numpy.name, len(hashes)) == ("numpy", 2)
    assert (other.name, none) == ("pyserial", [])
