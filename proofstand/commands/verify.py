"""``proofstand verify``: is a record as it was written."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .options import Subparsers, json_option

if TYPE_CHECKING:
    from collections.abc import Mapping

    from proofstand.keeping.bundle import CheckedBundle
    from proofstand.keeping.checked import Checked
    from proofstand.signoff.against import Against
    from proofstand.signoff.notes import Note
    from proofstand.signoff.notices import Notice, VerifiedNotice
    from proofstand.signoff.verify import Paper, Verified


_LISTED = {
    "fits": "the list is signed, and the signature fits a key given",
    "same key": "the list is signed by a key that signed what lies in it",
    "other key": "the list is signed by a key that signed nothing else here: what it "
    "lacks may have been taken out",
    "unsigned": "nobody signed the list: what it lacks may have been taken out, a "
    "rejection or a notice, too",
}


def add(commands: Subparsers) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "verify",
        help="check that records and certificates are as they were written",
        description="Check every byte of run files, journals, certificates, notes, "
        "bundles and whole archives (their folder); what is given together has to "
        "belong together. Exit 0 when all are whole, 5 when one was changed or cut "
        "short, 2 when one is not ours; 6 when all are whole and one does not stand: "
        "replaced, under review, or of a rejected run.",
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument(
        "--key",
        action="append",
        type=Path,
        metavar="PUBLIC.pem",
        help="public key that should have signed, or the folder it lies in, or a list "
        "of keys (keys export --all); may be given again where several may have",
    )
    parser.add_argument(
        "--noted",
        default="",
        metavar="SHA256",
        help="of an archive: digest of the record that was its last one once",
    )
    json_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Verify and print; return the worst exit code."""
    from proofstand.keeping.bundle import check_bundle, is_bundle
    from proofstand.keeping.checked import is_archive
    from proofstand.report import combined_exit, trouble_json
    from proofstand.signoff.against import Against, rejected_among, standing_of
    from proofstand.signoff.notices import is_notice, notices_of, verify_notice
    from proofstand.signoff.verify import belongs, verify_by_any
    from proofstand.words.sentences import trouble
    from records.errors import EXIT_REFUSED, ProofstandError

    from .main import tell
    from .verify_archive import checked_json, exit_of, print_checked

    codes: list[int] = []
    found: list[Verified | dict[str, Any]] = []
    keys = args.key or []
    archives: list[Checked] = []
    bundles: list[CheckedBundle] = []
    own_notices: list[VerifiedNotice] = []
    notices: dict[Path, tuple[Notice, ...]] = {}

    def fail(error: ProofstandError, path: str) -> None:
        told = trouble(error)
        codes.append(told.exit_code)
        found.append({"file": path, "fits": False, **trouble_json(told)})
        if not args.json:
            tell(error, False)

    for path in args.files:
        try:
            if is_archive(path):
                checked = _archive(path, keys, args.noted)
                archives.append(checked)
                codes.append(exit_of(checked))
                found.append(checked_json(checked))
            elif is_bundle(path):
                checked_bundle = check_bundle(path, keys)
                bundles.append(checked_bundle)
                if not checked_bundle.stands:
                    codes.append(EXIT_REFUSED)
                found.append(_bundle_json(checked_bundle))
            elif is_notice(path):
                alone = verify_notice(path, keys)
                own_notices.append(alone)
                found.append(_notice_json(alone))
            else:
                one = verify_by_any(path, keys)
                found.append(one)
                notices[path] = () if one.paper is None else notices_of(path)
        except ProofstandError as error:
            fail(error, str(path))
    whole = [each for each in found if not isinstance(each, dict)]
    pairs: dict[Path, Path] = {}
    try:
        pairs = belongs(whole)
        _kept(whole, archives)
    except ProofstandError as error:
        fail(error, error.where)
    known: dict[Path, Against] = {}
    for each in whole:
        against = Against(
            rejected=rejected_among(each, whole),
            notices=standing_of(notices.get(each.path, ())),
        )
        known[each.path] = against
        if against.said:
            codes.append(EXIT_REFUSED)
    if args.json:
        documents = [
            each
            if isinstance(each, dict)
            else _document(each, pairs, notices.get(each.path, ()), known[each.path])
            for each in found
        ]
        document = {"schema": "proofstand.verified/1", "files": documents}
        print(json.dumps(document, ensure_ascii=False))
    else:
        for checked in archives:
            print_checked(checked, as_json=False)
        for bundle in bundles:
            print("\n".join(_bundle_lines(bundle)))
        for one_notice in own_notices:
            print("\n".join(_own_notice_lines(one_notice)))
        for each in whole:
            told = lines(each, pairs, notices.get(each.path, ()), known[each.path])
            print("\n".join(told))
    return combined_exit(codes)


def _archive(path: Path, keys: list[Path], noted: str) -> Checked:
    from proofstand.keeping.checked import check_archive
    from records.archive.chain import Archive

    from .options import end_progress, progress

    checked = check_archive(
        Archive(path),
        keys,
        noted=noted,
        told=lambda done, of: progress(f"{done} of {of} records"),
    )
    end_progress()
    return checked


def _bundle_json(bundle: CheckedBundle) -> dict[str, Any]:
    return {
        "file": str(bundle.path),
        "fits": True,
        "what": "bundle",
        "run": bundle.run,
        "files": list(bundle.files),
        "key_inside": bundle.own_key,
        "list": bundle.list_signed,
        "stands": bundle.stands,
        "rejected": bundle.against.rejected is not None,
        "notices": [asdict(n) for each in bundle.notices.values() for n in each],
        "signatures": [each.signature for each in bundle.found],
    }


def _bundle_lines(bundle: CheckedBundle) -> list[str]:
    from proofstand.display import plain

    listed = _LISTED[bundle.list_signed]
    said = [
        f"{bundle.path}: {_headline(bundle.against)}every file is as listed and of one "
        f"run. bundle, run {plain(bundle.run)}",
        f"  {listed}",
    ]
    for each in bundle.found:
        named = each.path.name if each.paper is None else plain(each.paper.number)
        signed = each.signature_said
        if bundle.own_key and each.signature == "fits":
            signed = "signed with the key that lies beside it; give --key to see whose"
        said += [f"  {each.what} {named}: {signed}"]
        said += [
            f"  {line}" for line in _notice_lines(bundle.notices.get(each.path, ()))
        ]
        said += [f"  {line}" for line in _simulated(each.simulated)]
    return said


def _kept(whole: list[Verified], archives: list[Checked]) -> None:
    """Refuse a certificate that is given with an archive and not kept in it.

    Raises:
        IntegrityError: ``certificate_not_kept``.
    """
    from records.archive.files import sha256_of
    from records.errors import IntegrityError

    if not archives:
        return
    for each in whole:
        if each.paper is None:
            continue
        sha256 = sha256_of(each.path)[0]
        if not any(sha256 in checked.certificates for checked in archives):
            raise IntegrityError(
                "certificate_not_kept",
                where=str(each.path),
                number=each.paper.number,
            )


def _document(
    found: Verified,
    pairs: dict[Path, Path],
    notices: tuple[Notice, ...],
    against: Against,
) -> dict[str, Any]:
    document: dict[str, Any] = {
        "file": str(found.path),
        "fits": True,
        "what": found.what,
        "run": found.run,
        "state": found.state or None,
        "sha256": found.sha256,
        "bytes": found.bytes,
        "torn_bytes": found.torn_bytes,
        "key": found.key or None,
        "signature": found.signature,
        "simulated": found.simulated,
        "stands": not against.said,
    }
    if found.paper is not None:
        run = pairs.get(found.path)
        document["certificate"] = {
            "number": found.paper.number,
            "title": found.paper.title,
            "verdict": found.paper.verdict,
            "issued": found.paper.issued,
            "by": found.paper.by,
            "signed_by": found.paper.owner,
            "belongs_to": None if run is None else str(run),
            "copy_of": found.paper.copy_of or None,
            "replaces": found.paper.replaces or None,
            "notices": [asdict(notice) for notice in notices],
            "issuer": found.paper.issuer,
            "awaits_countersignature": found.paper.awaits or None,
            "countersigned": found.paper.second,
            "notes": [note.what for note in found.paper.notes],
        }
    if found.note is not None:
        run = pairs.get(found.path)
        document["note"] = {
            **found.note.facts,
            "signed_by": found.note.owner,
            "belongs_to": None if run is None else str(run),
        }
    return document


def _headline(against: Against | None) -> str:
    """Return what speaks against a record, to stand before all else, or ""."""
    from proofstand.display import plain

    if against is None or not against.said:
        return ""
    return f"{plain(against.said)}. Otherwise "


def lines(
    found: Verified,
    pairs: dict[Path, Path],
    notices: tuple[Notice, ...] = (),
    against: Against | None = None,
) -> list[str]:
    """Return what is told of a record that is whole."""
    from proofstand.display import plain

    head = _headline(against)
    if found.paper is not None:
        told = _paper_lines(found, found.paper, pairs, head)
        return told + _notice_lines(notices)
    if found.note is not None:
        return _note_lines(found, found.note, pairs)
    seal = "the seal fits" if found.what == "run file" else "every record is whole"
    if found.torn_bytes:
        seal += f" but for {found.torn_bytes} bytes at the end"
    said = [
        f"{found.path}: {head}{seal}. {found.what}, {found.state}, run "
        f"{plain(found.run)}",
        f"  sha256 {found.sha256} over {found.bytes} bytes",
    ]
    if found.what == "run file":
        key = f" (key {found.key[:16]})" if found.key else ""
        said.append(f"  {found.signature_said}{key}")
    return said + _simulated(found.simulated)


def _paper_lines(
    found: Verified, paper: Paper, pairs: dict[Path, Path], head: str
) -> list[str]:
    from proofstand.display import plain

    said = [
        f"{found.path}: {head}every byte is as it was signed. "
        f"{plain(paper.title)} {plain(paper.number)}, {plain(paper.verdict)}",
        f"  signed with the key of {plain(paper.owner)}, issued {plain(paper.issued)}"
        + (f" by {plain(paper.by)}{_shown(paper.issuer)}" if paper.by else ""),
        *_second_lines(paper),
        *(f"  rests on a {note.what} by {plain(note.by)}" for note in paper.notes),
        f"  {found.signature_said} (key {found.key[:16]})",
        f"  of run {plain(found.run)}",
        f"  sha256 {found.sha256}",
    ]
    if paper.copy_of:
        said.insert(1, f"  a COPY; the certificate has sha256 {paper.copy_of}")
    if paper.replaces:
        said.append(f"  replaces {plain(paper.replaces)}")
    run = pairs.get(found.path)
    said.append(
        f"  belongs to {run}"
        if run is not None
        else "  give its run file too to see that it belongs to it"
    )
    return said + _simulated(found.simulated)


def _shown(who: Mapping[str, str] | None) -> str:
    """Return how it was shown who somebody is."""
    from proofstand.display import plain

    if not who:
        return ""
    if who["proof"] == "PIN":
        return f" ({plain(who['role'])}, shown by PIN)"
    return " (name as typed, not proven)"


def _second_lines(paper: Paper) -> list[str]:
    from proofstand.display import plain

    if paper.awaits:
        return [
            f"  no certificate: the countersignature of a {plain(paper.awaits)} is "
            "missing"
        ]
    if paper.second is None:
        return []
    by = paper.second["by"]
    when = plain(str(paper.second["made"]))
    return [f"  countersigned by {plain(str(by['name']))}{_shown(by)}, {when}"]


def _note_lines(found: Verified, note: Note, pairs: dict[Path, Path]) -> list[str]:
    from proofstand.display import plain

    by = note.facts["by"]
    run = pairs.get(found.path)
    return [
        f"{found.path}: every byte is as it was signed. {note.what}",
        f"  signed with the key of {plain(note.owner)}, "
        f"{plain(str(note.facts['made']))} by {plain(note.by)}{_shown(by)}",
        f"  {plain(str(note.facts['why']))}",
        f"  {found.signature_said} (key {found.key[:16]})",
        *(_note_of_run(found, run) if found.run else _recall_lines(note)),
        *_simulated(found.simulated),
    ]


def _note_of_run(found: Verified, run: Path | None) -> list[str]:
    from proofstand.display import plain

    return [
        f"  of run {plain(found.run)}",
        f"  sha256 {found.sha256}",
        "  give its run file too to see that it belongs to it"
        if run is None
        else f"  belongs to {run}",
    ]


def _recall_lines(note: Note) -> list[str]:
    from proofstand.display import plain

    facts = note.facts
    return [
        f"  {plain(str(facts['recall']))}: {plain(str(facts['found']['told']))}",
        f"  {len(facts['runs'])} runs looked at, {len(facts['marked'])} papers put "
        "under review",
    ]


def _notice_lines(notices: tuple[Notice, ...]) -> list[str]:
    from proofstand.display import plain

    said = []
    for notice in notices:
        new = f" by {plain(notice.replaced_by)}" if notice.replaced_by else ""
        shown = _shown({"role": notice.role, "proof": notice.proof})
        who = f", {plain(notice.by)}{shown}" if notice.by else ""
        said.append(
            f"  {notice.says.upper()}{new} since {notice.made}: "
            f"{plain(notice.why)} ({plain(notice.owner)}{who})"
        )
    return said


def _notice_json(found: VerifiedNotice) -> dict[str, Any]:
    return {
        "file": str(found.path),
        "fits": True,
        "what": "notice",
        "signature": found.signature,
        "simulated": found.simulated,
        "notice": asdict(found.notice),
    }


def _own_notice_lines(found: VerifiedNotice) -> list[str]:
    from proofstand.display import plain
    from proofstand.signoff.verify import SIGNATURE_WORDS

    notice = found.notice
    return [
        f"{found.path}: every byte is as it was signed. notice, of certificate "
        f"{plain(notice.certificate)}",
        *_notice_lines((notice,)),
        f"  {SIGNATURE_WORDS[found.signature]} (key {notice.key[:16]})",
        f"  of the certificate with sha256 {notice.sha256}; verify that one with it "
        "beside",
        *_simulated(found.simulated),
    ]


def _simulated(simulated: bool) -> list[str]:
    return ["  SIMULATED RIG, no regulator was tested"] if simulated else []
