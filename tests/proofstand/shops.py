"""An archive that several tests look at, with what lies in it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from proofstand.commands.main import main
from proofstand.keeping.checked import Checked, check_archive
from proofstand.keeping.keep import add
from proofstand.signoff.heads import SigningKey
from proofstand.signoff.issue import issue
from proofstand.signoff.keys import PUBLIC_NAME, load_key
from records.archive.chain import Archive
from records.jobfile import example_text
from records.planfile import builtin_plan
from records.run import Run

__all__ = ["WHO", "Call", "Shop", "call", "check", "filled", "ids", "kept"]

SealedRun = Callable[..., Path]
Call = Callable[..., tuple[int, str, str]]
WHO = "I. Ferrand (invented)"


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def run(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return code, said.out, said.err

    return run


@dataclass(frozen=True)
class Shop:
    """A filled archive, its key, and what lies in it."""

    archive: Archive
    key: Path
    run: Path
    page: Path
    outside: Path  # the certificate as it was handed out

    @property
    def signing(self) -> SigningKey:
        return SigningKey(load_key(self.key))


@pytest.fixture(scope="session")
def kept(
    sealed_run: SealedRun, demo_key: Path, tmp_path_factory: pytest.TempPathFactory
) -> Shop:
    """Keep two runs with their certificates, notes and records of the shop."""
    folder = tmp_path_factory.mktemp("kept")
    archive, key = Archive(folder / "archive"), SigningKey(load_key(demo_key))
    pages = []
    for name in ("first", "second"):

        def named(run: Run, name: str = name) -> Run:
            job = run.header.job
            regulator = replace(job.regulator, serial=f"{name} 1/2 'x'")
            header = replace(
                run.header,
                id=f"20260615T080000-{name}",
                job=replace(job, regulator=regulator),
            )
            return replace(run, header=header)

        run = sealed_run(change=named)
        page = folder / f"{name}.pdf"
        issue(run, page, by=WHO, key_folder=demo_key)
        pages.append(page)
        add(archive, [run, page], key=key, who=WHO)
    plan = folder / "plan.toml"
    plan.write_text(builtin_plan("low-pressure")[1], "utf-8")
    job = folder / "job.toml"
    job.write_text(example_text(), "utf-8")
    add(archive, [plan, job, demo_key / PUBLIC_NAME], key=key, who=WHO)
    inside = archive.folder / "2026" / "20260615T080000-first"
    (page,) = inside.glob("certificate-*.pdf")
    return Shop(archive, demo_key, inside / "run.h5", page, pages[0])


@pytest.fixture
def filled(kept: Shop, tmp_path: Path) -> Shop:
    """Return a copy of the filled archive that a test may spoil."""
    folder = tmp_path / "copy"
    shutil.copytree(kept.archive.folder, folder)
    for path in folder.rglob("*"):
        if path.is_file():
            path.chmod(0o644)
    moved = [folder / p.relative_to(kept.archive.folder) for p in (kept.run, kept.page)]
    return replace(kept, archive=Archive(folder), run=moved[0], page=moved[1])


def ids(checked: Checked) -> list[str]:
    return [trouble.id for trouble in checked.troubles]


def check(filled: Shop, *keys: Path) -> Checked:
    return check_archive(filled.archive, list(keys) or [filled.key])
