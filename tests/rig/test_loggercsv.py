"""Logger CSV: the shapes that loggers write, and what is said of the others."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from records.errors import InputError
from rig.loggercsv import load_map, read_log

MAP = """format = "proofstand.map/1"
[time]
column = 1
unit = "s"
[[channels]]
column = 2
id = "p"
role = "pressure"
unit = "bar gauge"
"""


def rows(n: int = 40, sep: str = ",", decimal: str = ".", step: float = 0.1) -> str:
    lines = [
        f"{i * step:.3f}{sep}{7.0 - 0.001 * i:.4f}".replace(".", decimal)
        for i in range(n)
    ]
    return "\n".join(lines) + "\n"


def write(
    tmp_path: Path, text: str, log_map: str | None = MAP
) -> tuple[Path, Path | None]:
    log = tmp_path / "log.csv"
    log.write_bytes(text.encode())
    if log_map is None:
        return log, None
    path = tmp_path / "map.toml"
    path.write_text(log_map)
    return log, path


@pytest.mark.parametrize(
    ("sep", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", ","), (" ", ".")]
)
def test_delimiters_and_decimal_signs(tmp_path: Path, sep: str, decimal: str) -> None:
    log, path = write(tmp_path, rows(sep=sep, decimal=decimal))
    assert path is not None
    found = read_log(log, load_map(path))
    np.testing.assert_allclose(found.samples.raw[:3, 0], [7.0, 6.999, 6.998])
    np.testing.assert_allclose(np.diff(found.samples.t_ns), 1e8)


def test_header_lines_before_the_data_and_no_map(tmp_path: Path) -> None:
    head = "Logger of bench 2\nexported\n"
    head += "time [s];outlet (kPa gauge);ambient kPa absolute\n"
    body = "\n".join(f"{i * 0.1:.1f};{2.7 + i * 0.001:.4f};101.3" for i in range(30))
    log, _ = write(tmp_path, head + body, None)
    found = read_log(log)
    assert [c.id for c in found.rig.channels] == ["outlet", "ambient"]
    assert found.rig.channels[0].unit == "kPa gauge"


def test_the_decimal_sign_may_also_be_the_grouping_sign(tmp_path: Path) -> None:
    text = "".join(f"{t};7.3\n" for t in ["0.000", "999.000", "1.000.000", "1.001.000"])
    text += "".join(f"1.0{i:02d}.000;7.2\n" for i in range(2, 30))
    ms = MAP.replace('unit = "s"', 'unit = "ms"\nthousands = "."')
    log, path = write(tmp_path, text, ms)
    assert path is not None
    found = read_log(log, load_map(path))
    np.testing.assert_allclose(found.samples.t_ns[:4] * 1e-9, [0.0, 0.999, 1.0, 1.001])


def test_dates_with_a_pattern(tmp_path: Path) -> None:
    text = "".join(f"2026-02-03 10:00:{i:02d},7.{i:02d}\n" for i in range(30))
    dated = MAP.replace('unit = "s"', 'pattern = "%Y-%m-%d %H:%M:%S"')
    log, path = write(tmp_path, text, dated)
    assert path is not None
    found = read_log(log, load_map(path))
    np.testing.assert_allclose(np.diff(found.samples.t_ns), 1e9)
    assert found.part.utc_ns == 1_770_112_800_000_000_000


def test_clock_times(tmp_path: Path) -> None:
    text = "".join(f"0:01:{i:02d}.500;7.1\n" for i in range(30))
    log, path = write(tmp_path, text)
    assert path is not None
    found = read_log(log, load_map(path))
    assert found.samples.t_ns[-1] * 1e-9 == pytest.approx(29.0)


def test_an_empty_cell_is_a_missing_reading_not_a_number(tmp_path: Path) -> None:
    text = rows().replace("6.9950", "")
    log, path = write(tmp_path, text)
    assert path is not None
    found = read_log(log, load_map(path))
    assert found.skipped == 1
    assert int((found.samples.flags != 0).sum()) == 1


@pytest.mark.parametrize(
    ("text", "log_map", "id", "line"),
    [
        ("", MAP, "file_empty", None),
        ("\x00\x01binary", MAP, "file_not_ours", None),
        (rows(4), MAP, "log_too_short", None),
        (rows(), None, "log_map_needed", None),
        ("a,b\n" + rows(), None, "log_map_needed", 1),
        ("time s,outlet kPa\n" + rows(), None, "quantity_reference_missing", 1),
        (rows(20) + rows(20), MAP, "log_time_backwards", 21),
        (rows(20) + "9.9,seven\n", MAP, "log_line_unreadable", 21),
        (rows(20) + "late,7.0\n", MAP, "log_time_unreadable", 21),
        (rows(), MAP.replace("column = 2", "column = 7"), "log_column_missing", None),
        (rows(), MAP.replace("bar gauge", "bar"), "quantity_reference_missing", None),
        (rows(), MAP.replace("id =", "idd ="), "key_unknown", 7),
        (rows(), MAP.replace("map/1", "map/4"), "format_newer", 1),
        (rows(20) + "nan,7.0\n", MAP, "log_time_unreadable", 21),
        (rows(20) + "1e30,7.0\n", MAP, "log_time_unreadable", 21),
        (rows(), MAP + "scale = nan\n", "value_wrong", None),
        (rows(), MAP.replace('unit = "s"', 'unit = "kPa"'), "value_wrong", None),
        (rows(), 'delimiter = "ab"\n' + MAP, "value_wrong", None),
    ],
)
def test_what_is_refused_and_where(
    tmp_path: Path, text: str, log_map: str | None, id: str, line: int | None
) -> None:
    log, path = write(tmp_path, text, log_map)
    with pytest.raises(InputError) as caught:
        read_log(log, load_map(path) if path is not None else None)
    assert caught.value.id == id
    if line is not None:
        assert caught.value.where.split(":")[1] == str(line)


def test_a_state_in_another_column_does_not_matter(tmp_path: Path) -> None:
    text = "".join(f"{i * 0.1:.1f};7.3;OK\n" for i in range(40))
    log, path = write(tmp_path, text)
    assert path is not None
    assert read_log(log, load_map(path)).rows == 40
