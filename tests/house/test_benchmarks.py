"""The table of benchmarks: what meets its goal, what fails a build."""

import pytest

from benchmarks import __main__ as benchmarks
from benchmarks import paced_bus
from benchmarks.table import Row, table

pytestmark = pytest.mark.tree


@pytest.mark.parametrize(
    ("ratio", "standing"),
    [
        (1.0, "met"),
        (15.0, "met"),
        (15.1, "missed"),
        (29.9, "missed"),
        (30.0, "FAILED"),
    ],
)
def test_a_figure_fails_only_at_twice_its_goal(ratio: float, standing: str) -> None:
    assert Row("start", ratio, 15.0, "once").standing == standing


def test_the_table_aligns_its_columns() -> None:
    lines = table(
        [Row("a long name", 2.345, 15.0, "9 starts"), Row("b", 31.0, 15.0, "once")]
    ).splitlines()
    assert lines[0].split() == ["what", "ratio", "goal", "standing", "how"]
    assert "2.35" in lines[1]
    assert "met" in lines[1]
    assert "FAILED" in lines[2]
    assert (
        len(
            {
                line.index(word)
                for line, word in zip(lines[1:], ("met", "FAILED"), strict=True)
            }
        )
        == 1
    )


@pytest.mark.parametrize(("ratio", "code"), [(10.0, 0), (20.0, 0), (40.0, 1)])
def test_the_exit_code_follows_the_worst_figure(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    ratio: float,
    code: int,
) -> None:
    asked: list[bool] = []

    def row(short: bool) -> Row:
        asked.append(short)
        return Row("start", ratio, 15.0, "once")

    monkeypatch.setattr(benchmarks, "ROWS", (row,))
    assert benchmarks.main(["--short"]) == code
    assert asked == [True]
    assert "start" in capsys.readouterr().out


def test_a_wrong_word_is_refused() -> None:
    assert benchmarks.main(["--quick"]) == 2


def test_the_paced_wire_takes_the_time_of_the_published_text() -> None:
    # Modbus over serial line V1.02: 11 bits a character, 3.5 of them between frames,
    # 1.75 ms above 19200 baud; frame 01 03 00 00 00 0A C5 CD of many public texts.
    rates = [round(paced_bus.most_polls_per_s(b), 1) for b in (9600, 19200, 115200)]
    assert rates == [24.2, 48.5, 159.5]
    assert paced_bus.crc(bytes.fromhex("01 03 00 00 00 0A")).hex() == "c5cd"
