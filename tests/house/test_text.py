"""What is kept names no one machine's folders and no host of packages."""

import re
from pathlib import Path

import pytest

from tests.house.tree import ROOT, kept_files

pytestmark = pytest.mark.tree

# Written in pieces, so that this file does not hold what it looks for.
_TOP_FOLDERS = ("home", "root", "tmp", "opt", "work", "Users", "mnt", "var/folders")
FOLDERS = re.compile(
    r"(?<![\w.>)\]}~/-])/(?:" + "|".join(_TOP_FOLDERS) + r")/[\w.]|[A-Z]:\\+Users\\"
)
ADDRESS = re.compile(r"\b(?:https?|ftp|git\+\w+|file)://([^\s/\"'<>)`]*)")
PACKAGE_HOST = re.compile(
    r"(^|\.)(py" + "pi|pythonhosted|npm" + r"js|anaconda|conda|crates|registry|index|"
    r"mirrors?|proxy|packages|deb)(\.|$)"
)
PUBLISHED = ("LICENSE",)


def is_text(path: Path) -> bool:
    return b"\0" not in path.read_bytes()[:8_000]


def trouble_in(text: str) -> list[str]:
    """Return what stands in a text that may not, with its line."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        found += [f"{number}: {hit.group()}" for hit in FOLDERS.finditer(line)]
        for address in ADDRESS.finditer(line):
            host = address.group(1).rpartition("@")[2].partition(":")[0]
            if PACKAGE_HOST.search(host) or address.group().startswith("file:"):
                found.append(f"{number}: {address.group()}")
    return found


def test_no_kept_text_names_a_machine_s_folder_or_a_package_host() -> None:
    files = [path for path in kept_files() if is_text(path)]
    assert len(files) > 20
    found = {}
    for path in files:
        name = path.relative_to(ROOT).as_posix()
        hits = trouble_in(path.read_text(encoding="utf-8"))
        if hits and name not in PUBLISHED:
            found[name] = hits
    assert found == {}


@pytest.mark.parametrize(
    "text",
    [
        "see /{}/someone/run.h5".format("home"),
        "open('/{}/x.csv')".format("tmp"),
        "in /{}/main".format("work"),
        "C:\\{}\\someone".format("Users"),
        "https://{}.org/simple".format("py" + "pi"),
        "https://files.{}.org/x".format("pythonhosted"),
        "http://{}.example/x".format("registry"),
        "{}:///wheels".format("file"),
    ],
)
def test_planted_trouble_is_found(text: str) -> None:
    assert len(trouble_in(text)) >= 1


@pytest.mark.parametrize(
    "text",
    [
        "GET /work-orders/12",
        "the route tmp/home is relative: a/tmp/b",
        "https://doi.org/10.1088/0026-1394/31/3/013",
        "http://127.0.0.1:502/",
        "tmp_path / 'home' / 'x'",
    ],
)
def test_honest_text_is_let_through(text: str) -> None:
    assert trouble_in(text) == []


def test_every_text_file_ends_its_lines_one_way() -> None:
    wrong = [
        path.relative_to(ROOT).as_posix()
        for path in kept_files()
        if is_text(path) and b"\r\n" in path.read_bytes()
    ]
    # Files that others published are kept byte for byte.
    assert [name for name in wrong if not name.startswith("tests/")] == []
