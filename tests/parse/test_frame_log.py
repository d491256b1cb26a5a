"""Frame-time logs: found, converted and cleaned with a note, or refused with one clear error."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.errors import ParseError
from burnin.parse.frame_column import Choice, Kind
from burnin.parse.frame_log import FrameLog, parse_frame_log

RANDOM = np.random.default_rng(90)
FRAMES_MS = np.round(RANDOM.normal(11.1, 0.6, 400), 4)
TIMES_MS = np.concatenate(([0.0], np.cumsum(FRAMES_MS)))


def column(values: np.ndarray, *, name: str = "", scale: float = 1.0) -> bytes:
    rows = [repr(float(value)) for value in values * scale]
    return "\n".join([name, *rows] if name else rows).encode()


def close(found: np.ndarray, wanted: np.ndarray) -> bool:
    return found.shape == wanted.shape and bool(np.allclose(found, wanted, rtol=1e-9, atol=1e-6))


@pytest.mark.parametrize(("unit", "scale"), [("s", 1e-3), ("ms", 1.0), ("us", 1e3), ("ns", 1e6)])
def test_unit_is_told_from_the_values(unit: str, scale: float) -> None:
    frames = parse_frame_log(column(FRAMES_MS, scale=scale))
    assert (frames.unit, frames.kind, frames.column) == (unit, Kind.FRAME, "column 1")
    assert close(frames.frame_ms, FRAMES_MS)
    assert frames.at_s is None
    times = parse_frame_log(column(TIMES_MS, scale=scale))
    assert (times.unit, times.kind) == (unit, Kind.PRESENTATION)
    assert close(times.frame_ms, FRAMES_MS)
    assert times.at_s is not None
    assert close(times.at_s, TIMES_MS[1:] / 1000)


@pytest.mark.parametrize(
    ("name", "scale", "kind"),
    [
        ("frame time (ms)", 1.0, Kind.FRAME),
        ("FrameTime_us", 1e3, Kind.FRAME),
        ("frametime", 1.0, Kind.FRAME),
        ("interval [ns]", 1e6, Kind.FRAME),
        ("frame duration in seconds", 1e-3, Kind.FRAME),
        ("interval \u00b5s", 1e3, Kind.FRAME),
    ],
)
def test_name_gives_kind_and_unit(name: str, scale: float, kind: Kind) -> None:
    found = parse_frame_log(column(FRAMES_MS, name=name, scale=scale))
    assert found.kind is kind
    assert close(found.frame_ms, FRAMES_MS)


def test_a_name_decides_the_unit_where_the_values_would_say_another() -> None:
    fast = np.full(50, 0.4)  # 2500 frames a second: seconds by its looks, milliseconds by its name
    assert parse_frame_log(column(fast, name="frame time ms")).frame_ms[0] == pytest.approx(0.4)
    assert parse_frame_log(column(fast), choice=Choice(unit="ms")).frame_ms[0] == pytest.approx(0.4)


def test_a_short_log_of_presentation_times_goes_by_its_name() -> None:
    found = parse_frame_log(b"presented (s)\n0.0\n0.0111\n0.0333\n")
    assert found.frame_ms.tolist() == pytest.approx([11.1, 22.2])


def test_rising_values_are_presentation_times_whatever_the_name() -> None:
    assert parse_frame_log(column(TIMES_MS, name="frame time ms")).kind is Kind.PRESENTATION
    forced = parse_frame_log(column(TIMES_MS[1:], name="frame time ms"), choice=Choice(kind=Kind.FRAME))
    assert forced.frame_ms.size == FRAMES_MS.size


def test_the_right_one_of_many_columns_is_read_in_any_order() -> None:
    rows = [("label", "gpu ms", "frame", "frame ms time", "end to end latency (us)")]
    rows += [("run a", "5.1", str(n), repr(float(x)), str(30000 + n)) for n, x in enumerate(FRAMES_MS)]
    for order in ((0, 1, 2, 3, 4), (4, 3, 2, 1, 0), (3, 0, 4, 2, 1)):
        text = "\n".join(",".join(row[at] for at in order) for row in rows).encode()
        found = parse_frame_log(text)
        assert close(found.frame_ms, FRAMES_MS)
        assert found.latency_ms is not None
        assert close(found.latency_ms, 30 + np.arange(400) / 1000)
        assert any("latency" in note for note in found.notes)


def test_columns_without_names_are_told_by_their_values() -> None:
    numbered = "\n".join(f"{n},{t!r}" for n, t in enumerate(TIMES_MS.tolist())).encode()
    assert parse_frame_log(numbered).column == "column 2"
    timed = "\n".join(
        f"{t!r};{x!r}" for t, x in zip(TIMES_MS.tolist(), FRAMES_MS.tolist(), strict=False)
    ).encode()
    assert parse_frame_log(timed).column == "column 2"
    assert parse_frame_log(timed, choice=Choice(column="1")).kind is Kind.PRESENTATION


@pytest.mark.parametrize("wanted", ["B", " b ", "2"])
def test_a_column_is_named_or_numbered(wanted: str) -> None:
    text = "a,b\n" + "\n".join(f"8.3,{x!r}" for x in FRAMES_MS.tolist())
    found = parse_frame_log(text.encode(), choice=Choice(column=wanted))
    assert close(found.frame_ms, FRAMES_MS)
    assert found.column == "'b'"


@pytest.mark.parametrize(
    ("text", "field"),
    [
        (b"a,b\n11,12.5\n12,11.5\n11,12.5\n", "column"),  # both could be
        (b"frame time,interval\n11,12.5\n12,11.5\n", "column"),  # both by name
        (b"1,0.5\n2,0.25\n3,0.25\n4,0.5\n5,0.5\n6,0.5\n", "column"),  # a row number and nothing else
        (b"t1,t2\n" + b"".join(b"%d.5,%d.5\n" % (11 * n, 12 * n) for n in range(9)), "column"),
        (b"a\n1\n2\n3\n4\n5\n6\n7\n", "column"),
        (b"frame time\n-1\n-2\n", "'frame time'"),
        (b"frame time (s)\n16.7\n16.6\n", "unit of 'frame time (s)'"),
        (b"frame time\n400\n410\n", "unit of 'frame time'"),
        (b"frame time ms\n11.1\n", "rows"),
        (b"presented ms\n11.1\n", "rows"),
    ],
)
def test_a_log_that_cannot_be_told_is_refused(text: bytes, field: str) -> None:
    with pytest.raises(ParseError) as caught:
        parse_frame_log(text)
    assert caught.value.field == field
    assert "expected" in caught.value.message


def test_a_latency_column_can_be_named() -> None:
    text = b"a,delay ms\n" + b"".join(b"11.%d,3%d\n" % (n % 2, n) for n in range(9))
    assert parse_frame_log(text, choice=Choice(column="a")).latency_ms is None
    found = parse_frame_log(text, choice=Choice(column="a", latency="Delay ms"))
    assert found.latency_ms is not None
    assert found.latency_ms.tolist() == [30 + n for n in range(9)]


def test_a_long_log_is_told_from_its_first_rows() -> None:
    many = np.tile(FRAMES_MS, 20)
    assert close(parse_frame_log(column(many, name="frame ms time")).frame_ms, many)


def test_an_impossible_choice_is_refused() -> None:
    for choice in (
        Choice(unit="min"),
        Choice(column="c"),
        Choice(column="3"),
        Choice(column="0"),
        Choice(latency="x"),
    ):
        with pytest.raises(ParseError):
            parse_frame_log(b"a,b\n11,12.5\n12,11.5\n11,12.5\n", choice=choice)


def dirty(lines: list[str], changes: dict[int, str]) -> bytes:
    return "\n".join(changes.get(at, line) for at, line in enumerate(lines)).encode()


def test_ragged_and_non_numeric_rows_are_left_out_and_counted() -> None:
    lines = ["number;frame ms time", *(f"{n};{x!r}" for n, x in enumerate(FRAMES_MS.tolist()))]
    found = parse_frame_log(dirty(lines, {5: "4", 9: "8;lost", 11: "10;11.1;3", 20: "# remark"}))
    assert (found.rows, found.left_out, found.frame_ms.size) == (399, 3, 396)
    assert close(found.frame_ms, np.delete(FRAMES_MS, [4, 8, 10, 19]))
    assert found.notes[1:] == (
        "2 rows with a wrong number of fields were left out",
        "1 rows without a number where one is needed were left out",
        "the first row left out is line 6; nothing was filled in",
        "1 comment lines among the rows were skipped",
    )


def test_frame_times_of_zero_or_less_are_left_out_with_their_latency() -> None:
    latency = [f"{20 + n % 7}" for n in range(400)]
    lines = [
        "frame ms time;latency",
        *(f"{x!r};{y}" for x, y in zip(FRAMES_MS.tolist(), latency, strict=True)),
    ]
    found = parse_frame_log(dirty(lines, {8: "0;20", 9: "-3;20"}))
    assert found.left_out == 2
    assert found.latency_ms is not None
    assert found.latency_ms.tolist() == [20 + n % 7 for n in range(400) if n not in {7, 8}]
    assert any("2 frame times of zero or less" in note for note in found.notes)
    assert any("gives no unit" in note for note in found.notes)
    without = parse_frame_log(dirty([line.split(";")[0] for line in lines], {8: "0", 9: "-3"}))
    assert without.latency_ms is None
    assert without.left_out == 2


def presented(values: list[float]) -> list[str]:
    return ["presented ms,latency ms", *(f"{value!r},{at}" for at, value in enumerate(values))]


def test_an_interval_across_a_row_left_out_is_no_frame() -> None:
    found = parse_frame_log(dirty(presented(TIMES_MS.tolist()), {50: "lost,1"}))
    assert (found.rows, found.left_out) == (401, 2)
    assert close(found.frame_ms, np.delete(FRAMES_MS, [48, 49]))
    assert found.at_s is not None
    assert close(found.at_s, np.delete(TIMES_MS[1:], [48, 49]) / 1000)
    assert found.latency_ms is not None
    assert found.latency_ms.tolist() == [n for n in range(1, 401) if n not in {49, 50}]


def test_repeated_times_are_left_out() -> None:
    times = np.insert(TIMES_MS, 30, TIMES_MS[29]).tolist()
    found = parse_frame_log(dirty(presented(times), {}))
    assert close(found.frame_ms, FRAMES_MS)
    assert any("1 rows that repeat the time before them" in note for note in found.notes)


def test_a_few_rows_out_of_order_are_sorted() -> None:
    times = TIMES_MS.tolist()
    times[100], times[101] = times[101], times[100]
    found = parse_frame_log(dirty(presented(times), {}))
    assert close(found.frame_ms, FRAMES_MS)
    assert any("1 rows stepped back in time" in note for note in found.notes)
    assert found.latency_ms is not None
    assert found.latency_ms[99:101].tolist() == [101, 100]
    alone = parse_frame_log(dirty([line.split(",")[0] for line in presented(times)], {}))
    assert close(alone.frame_ms, FRAMES_MS)
    assert alone.latency_ms is None


def test_a_clock_that_was_set_back_is_refused_not_sorted() -> None:
    times = [*TIMES_MS.tolist(), *(TIMES_MS + 3.0).tolist()]
    with pytest.raises(ParseError, match="1 of 802 rows that step back in time, the first is number 402"):
        parse_frame_log(dirty(presented(times), {}))
    shuffled = TIMES_MS.reshape(-1, 1).tolist()
    for at in range(0, 400, 20):
        shuffled[at], shuffled[at + 1] = shuffled[at + 1], shuffled[at]
    with pytest.raises(ParseError, match="20 of 401 rows that step back"):
        parse_frame_log(dirty(presented([value for (value,) in shuffled]), {}))


def test_a_log_that_is_mostly_holes_is_refused() -> None:
    lines = ["frame ms time", *map(repr, FRAMES_MS.tolist())]
    assert parse_frame_log(dirty(lines, dict.fromkeys(range(1, 41), "lost"))).left_out == 40 - 40
    with pytest.raises(ParseError, match="349 usable frames in 400 rows"):
        parse_frame_log(dirty(lines, dict.fromkeys(range(100, 151), "lost")))
    with pytest.raises(ParseError, match="0 usable frames"):
        parse_frame_log(b"presented s\n0.1\nlost\nlost\n", choice=Choice(unit="s", kind=Kind.PRESENTATION))


def is_sound(log: FrameLog) -> bool:
    sizes = {log.frame_ms.size} | {part.size for part in (log.at_s, log.latency_ms) if part is not None}
    return len(sizes) == 1 and bool((log.frame_ms > 0).all()) and bool(np.isfinite(log.frame_ms).all())


@given(st.binary(max_size=400))
def test_random_bytes_give_a_log_or_a_parse_error(data: bytes) -> None:
    try:
        log = parse_frame_log(data)
    except ParseError:
        return
    assert is_sound(log)


LOG = "\n".join(["presented ms,latency ms", *(f"{11.1 * n:.3f},{30 + n % 3}" for n in range(40))]).encode()


@given(st.integers(0, len(LOG) - 1), st.integers(0, 255), st.integers(0, len(LOG)))
def test_damaged_logs_give_a_log_or_a_parse_error(at: int, value: int, length: int) -> None:
    damaged = bytearray(LOG)
    damaged[at] = value
    try:
        log = parse_frame_log(bytes(damaged[:length]))
    except ParseError:
        return
    assert is_sound(log)


@given(st.text('0123456789.,;\t \n\r-+eE"#%/_abmsNA', max_size=200))
def test_log_like_text_gives_a_log_or_a_parse_error(text: str) -> None:
    try:
        log = parse_frame_log(text.encode())
    except ParseError:
        return
    assert is_sound(log)
