"""A log that nobody here made: imported, judged, and nothing claimed beyond it.

Data: `tests/published/` (origin and licence beside it): a pressurised chamber
holding at about 7.3 bar, public domain dedication CC0 1.0.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from proofstand.commands.main import main
from records.runfile import open_run

PUBLISHED = Path(__file__).parents[1] / "published"
MAP = """format = "proofstand.map/1"
delimiter = ";"
[time]
column = 1
unit = "ms"
thousands = "."
[[channels]]
column = 3
id = "chamber"
role = "pressure"
unit = "bar gauge"
"""


def log() -> Path:
    found = list(PUBLISHED.rglob("chamber-hold-7bar.csv"))
    assert len(found) == 1
    return found[0]


@pytest.fixture
def imported(tmp_path: Path) -> Path:
    (tmp_path / "map.toml").write_text(MAP)
    out = tmp_path / "chamber.h5"
    code = main(
        ["import", str(log()), "--map", str(tmp_path / "map.toml"), "--out", str(out)]
    )
    assert code == 0
    return out


def straight_line() -> tuple[float, float]:
    """Fit all rows by SciPy, from the file's text, without any reader of ours."""
    t, y = [], []
    for line in log().read_text("ascii").split("\n"):
        time, _, pressure = line.strip().split(";")
        whole, _, part = time.rpartition(".")
        t.append(float(whole.replace(".", "") + "." + part) / 1000.0)
        y.append(float(pressure))
    fit = stats.linregress(np.array(t), np.array(y))
    return float(fit.slope), float(fit.stderr)


def test_every_row_is_read(imported: Path) -> None:
    run = open_run(imported)
    trace = run.trace(run.header.rig.channels[0], 1)
    assert len(trace) == 1508
    assert trace.t_s[-1] == pytest.approx(151.303)
    assert trace.value[0] == pytest.approx(7.315e5)


def test_the_straight_line_is_the_published_one() -> None:
    slope, _ = straight_line()
    assert slope == pytest.approx(-2.3494e-4, rel=1e-4)


def test_rate_with_the_tail_set_apart_and_no_limit(
    imported: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert main(["judge", "--json", str(imported)]) == 12
    judgement = json.loads(capsys.readouterr().out)["judgements"][0]
    assert judgement["verdict"] == "no limit"
    rates = [f for f in judgement["findings"] if f["id"] == "pressure_decay_rate"]
    assert len(rates) == 1
    finding = rates[0]
    slope, stderr = straight_line()
    mean = finding["evidence"]["model"]["mean_slope"] * 1e-5
    # The naive standard error is far too small for this autocorrelated residual (lag-1
    # 0.54); the agreement is within it all the same.
    assert mean == pytest.approx(slope, abs=3 * stderr)
    # The trace is curved: the bare line is not the lasting rate.
    told = set(finding["why_ids"]) | {
        n
        for n in ("tail_inseparable",)
        if "told apart" in str(finding["evidence"]["notes"])
    }
    low, high = (x * 1e-5 for x in finding["interval"])
    separated = not low <= slope <= high
    assert separated or "tail_inseparable" in told or "hold_too_short" in told
    assert not any(
        f["id"] in ("seat_leak", "external_leak") for f in judgement["findings"]
    )


def test_without_a_map_it_says_what_to_write(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["import", str(log()), "--out", str(tmp_path / "x.h5")]) == 2
    assert "map" in capsys.readouterr().err


def small(folder: Path, rows: list[str]) -> Path:
    """Import a small log of one gauge channel, Pa, a reading each second."""
    (folder / "log.csv").write_text("\n".join(f"{t};{v}" for t, v in enumerate(rows)))
    (folder / "map.toml").write_text(
        'format = "proofstand.map/1"\ndelimiter = ";"\n[time]\ncolumn = 1\nunit = "s"\n'
        '[[channels]]\ncolumn = 2\nid = "p"\nrole = "pressure"\nunit = "Pa gauge"\n'
    )
    out = folder / "log.h5"
    words = ["import", str(folder / "log.csv"), "--map", str(folder / "map.toml")]
    assert main([*words, "--out", str(out)]) == 0
    return out


def test_a_log_without_a_hold_says_that_there_is_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(1)
    rows = [f"{x:.1f}" for x in 5000.0 + rng.standard_normal(25)]
    out = small(tmp_path, rows)
    capsys.readouterr()
    assert main(["judge", str(out), "--json"]) == 12
    (found,) = json.loads(capsys.readouterr().out)["judgements"]
    assert found["findings"] == []
    assert "no_hold_found" in {w["id"] for w in found["warnings"]}


def test_a_channel_that_never_moves_is_stuck(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = small(tmp_path, ["5000.0"] * 300)
    assert main(["judge", str(out)]) == 12
    told = capsys.readouterr().out
    assert "± 0.000000000" not in told
    assert "stood still for 100.0 %" in told, told
