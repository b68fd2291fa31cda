"""Writes docs/troubles.md from the words, so that the two can't differ."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

HERE = Path(__file__).parent
WORDS = HERE.parent / "proofstand" / "words" / "en.toml"
HEAD = """# What Proofstand says when something is wrong

Made from the program's own words by `python docs/make_troubles.py`. A name in braces is
filled in. The exit code is the one of a command that stops for it.
"""


def page() -> str:
    """Return the page's text."""
    sys.path.insert(0, str(HERE.parent))
    from records.errors import ERROR_CLASSES, LIVE_IDS

    words = tomllib.loads(WORDS.read_text("utf-8"))
    lines = [HEAD]
    for kind in ERROR_CLASSES:
        lines.append(f"## Exit code {kind.exit_code}\n")
        lines.append("| id | what it says | what to do |\n| --- | --- | --- |")
        for id in sorted(kind.ids):
            said = words["trouble"][id]
            lines.append(f"| `{id}` | {said['what']} | {said['do']} |")
        lines.append("")
    lines.append("## What a Modbus exception means\n")
    lines.append("| code | means | what to do |\n| --- | --- | --- |")
    lines += [
        f"| {code} | {said['means']} | {said['do']} |"
        for code, said in sorted(
            words["refusal"].items(), key=lambda each: int(each[0])
        )
    ]
    lines.append("")
    lines.append("## Beside a test that goes on\n")
    lines.append("| id | what it says | what it does to the result | what to do |")
    lines.append("| --- | --- | --- | --- |")
    for id in sorted(LIVE_IDS):
        said = words["live"][id]
        lines.append(f"| `{id}` | {said['what']} | {said['does']} | {said['do']} |")
    lines.append("")
    lines.append("## Reasons and warnings in a judgement\n")
    lines.append("| id | what it says |\n| --- | --- |")
    lines += [f"| `{id}` | {said} |" for id, said in sorted(words["reason"].items())]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    (HERE / "troubles.md").write_text(page(), encoding="utf-8")
