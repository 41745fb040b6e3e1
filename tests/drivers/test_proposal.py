"""What is proposed for messages of many shapes; and for anything else, nothing worse than nothing."""

import itertools
from collections.abc import Callable

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietcell.core.units import UNITS, find_unit
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.line_stream import LineStreamSettings
from quietcell_drivers.proposal import propose
from quietcell_drivers.simulation import Sample, Scenario, Shift, Simulation

MOVING = Scenario(events=(Shift(of="co2_ug_l", by=400.0, at_s=20.0, rise_s=30.0),))


def ohm(temperature_c: float) -> float:
    unit = find_unit("temperature_c", "Pt1000 ohm")
    assert unit is not None
    return unit.from_reading(temperature_c)


SHAPES: dict[str, Callable[[Sample, int], str]] = {
    "counter first, temperature before mV": lambda s, n: (
        f"{n},{s.temperature_c:.1f},{s.mv:.1f},{s.conductivity_us_cm:.3f}\r\n"
    ),
    "braces and quotes": lambda s, _: f'{{"mv":{s.mv:.2f},"temp":{s.temperature_c:.2f}}}\n',
    "labels that are units": lambda s, _: (
        f"mV={s.mv:.1f};C={s.temperature_c:.1f};uS={s.conductivity_us_cm:.3f};STAT=0\r"
    ),
    "numbered channels": lambda s, _: (
        f"CH1:{s.mv:.2f} CH2:{s.temperature_c:.2f} CH3:{s.conductivity_us_cm:.4f}\n"
    ),
    "volts and fahrenheit": lambda s, _: f"{s.mv / 1000:.5f} V, {s.temperature_c * 1.8 + 32:.2f} F\r\n",
    "exponents": lambda s, _: f"{s.mv:.5E};{s.temperature_c:.5E};{s.conductivity_us_cm:.5E}\n",
    "fields for units": lambda s, _: f"| E | {s.mv:.1f} | mV | T | {s.temperature_c:.1f} | degC |\n",
    "status first": lambda s, n: f"{'OK' if n % 4 else 'HOLD'} {s.mv:.2f} {s.temperature_c:.2f}\n",
    "decimal comma and ohms": lambda s, _: (
        f"{s.mv:.2f} mV;{ohm(s.temperature_c):.2f} ohm;{s.conductivity_us_cm / 10:.5f} mS/m\n"
    ).replace(".", ","),
    "a time by itself": lambda s, n: f"2026-03-01T08:00:{n:02}Z;{s.mv:.2f};{s.temperature_c:.2f}\n",
    "a check sum": lambda s, n: f"$LP,{s.mv:.2f},{s.temperature_c:.2f}*{n * 37 % 256:02X}\r\n",
    "pH beside it": lambda s, _: f"pH {7 - s.mv / 58:.2f} {s.mv:.1f} mV {s.temperature_c:.1f} °C AUTO\r\n",
    "gaps in the values": lambda s, n: (
        f"{s.mv:.2f};{'-----' if n % 6 == 2 else f'{s.temperature_c:.2f}'};{s.conductivity_us_cm:.4f}\n"
    ),
}


@pytest.mark.parametrize("name", SHAPES)
def test_the_right_numbers_are_found(name: str) -> None:
    samples = list(itertools.islice(Simulation(MOVING, 3).samples(5.0), 16))
    sent = [SHAPES[name](sample, n).encode("latin-1") for n, sample in enumerate(samples)]
    found = propose([(200 * n, message) for n, message in enumerate(sent)])
    assert found is not None
    assert found.read >= 10
    last, said = found.last, samples[-2]
    assert last is not None
    assert last.temperature_c is not None
    for quantity in UNITS:
        value = getattr(last, quantity)
        assert value is None or value == pytest.approx(getattr(said, quantity), rel=0.02, abs=0.06)


def test_seventeen_without_a_word_is_the_resistivity_of_pure_water() -> None:
    samples = itertools.islice(Simulation(Scenario(co2_ug_l=4.0, salt_mol_l=3e-8), 3).samples(5.0), 16)
    lines = (f"{s.mv:.2f},{s.temperature_c:.2f},{1 / s.conductivity_us_cm:.3f}\n" for s in samples)
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.settings["units"] == {"conductivity_us_cm": "MΩ·cm"}


@pytest.mark.parametrize("unit", ["L/min", "kΩ.cm", "MΩ"])
def test_no_label_and_no_size_makes_a_number_what_its_unit_denies(unit: str) -> None:
    lines = (f"E={25 + n / 10:.1f}mV COND={61 + n / 10:.1f}{unit}\n" for n in range(12))
    found = propose([(200 * n, line.encode("utf-8")) for n, line in enumerate(lines)])
    assert found is not None
    assert found.last is not None
    assert found.last.mv == pytest.approx(26.1)
    assert found.last.conductivity_us_cm is None
    assert f"not used, its unit '{unit}' is none that is known here" in found.numbers[1]


def test_a_word_that_was_always_there_is_taken_for_good_and_asked_about() -> None:
    lines = (f"{25 + n / 10:.1f} mV;HOLD\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.settings["status"] == {"HOLD": ""}
    assert "is it?" in found.notes["status"]


def test_the_end_of_a_unit_is_no_status() -> None:
    lines = (f"E={25 + n / 10:.1f} mV L={61 + n / 10:.1f} nS/cm\r\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert "status" not in found.settings
    assert found.settings["pattern"].endswith("nS/cm")


def test_a_question_that_comes_back_is_told_as_echo() -> None:
    lines = (f"MEAS?\r\n{25 + n / 10:.1f} {21 + n / 100:.2f}\r\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)], b"MEAS?\r\n")
    assert found is not None
    assert found.settings["echo"] is True
    assert found.read == found.seen


@pytest.mark.parametrize(
    "block", ["mV {mv:.2f}\r\nTemp {t:.1f}\r\n", "E: {mv:.2f} mV\r\n{t:.1f} C\r\n"], ids=["alike", "unlike"]
)
def test_quantities_in_lines_of_their_own_are_read_together(block: str) -> None:
    blocks = (block.format(mv=25 + n / 10, t=21 + n / 10) for n in range(13))
    found = propose([(1000 * n, text.encode()) for n, text in enumerate(blocks)])
    assert found is not None
    assert found.settings["terminator"] == ""
    assert found.read == found.seen
    assert found.last is not None
    assert (found.last.mv, found.last.temperature_c) == pytest.approx((26.2, 22.2))


@pytest.mark.parametrize(
    ("mv", "temperature", "seldom"),
    [("mV {:.2f}", "Temp {:.1f}", 2), ("E {:.2f} mV", "t {:.1f} C", 7), ("{:.2f}", "T={:.1f}", 9)],
)
def test_quantities_in_lines_that_nothing_holds_together_are_carried(
    mv: str, temperature: str, seldom: int
) -> None:
    lines = (
        temperature.format(21 + n / 10) if n % seldom == 1 else mv.format(25 + n / 10) for n in range(38)
    )
    found = propose([(500 * n, f"{line}\r\n".encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.read == found.seen
    settings = LineStreamSettings(port="p", **found.settings)
    assert settings.carry_s is not None
    assert settings.carry_s > seldom * 0.5
    assert found.last is not None
    assert found.last.mv == pytest.approx(28.6, abs=0.11)  # n is 36 or 37
    assert found.last.temperature_c == pytest.approx(24.2, abs=0.51)


def test_lines_of_several_quantities_that_nothing_names_give_no_proposal() -> None:
    lines = (f"A1={41 + n / 100:.2f}\r\n" if n % 2 else f"A2={21 + n / 100:.2f}\r\n" for n in range(24))
    assert propose([(500 * n, line.encode()) for n, line in enumerate(lines)]) is None


def test_two_meters_that_take_turns_are_not_taken_for_one() -> None:
    lines = (f"#{n % 2 + 1};{41 + n % 2 * 100 + n / 10:.2f};21.0{n % 7}\r\n" for n in range(24))
    assert propose([(500 * n, line.encode()) for n, line in enumerate(lines)]) is None


def test_a_number_or_word_that_changed_once_tells_no_meters_apart() -> None:
    for before, after in (("21", "22"), ("OK", "HOLD")):
        lines = (f"{25 + n / 10:.2f};{before if n < 6 else after};0.17{n}\n" for n in range(13))
        assert propose([(500 * n, line.encode()) for n, line in enumerate(lines)]) is not None


def test_no_second_temperature_becomes_the_potential() -> None:
    lines = (f"pH 6.28{n % 3} 21.0{n % 7} C 22.0{n % 5} C\r\n" for n in range(14))
    assert propose([(500 * n, line.encode()) for n, line in enumerate(lines)]) is None


def test_units_in_front_of_their_numbers_are_theirs() -> None:
    lines = (f"mV {41 + n / 10:.2f}  degC {21 + n / 100:.2f}  uS/cm 0.17{n % 9}\r\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.last is not None
    assert found.last.mv == pytest.approx(42.1)
    assert found.last.temperature_c == pytest.approx(21.11)
    assert found.last.conductivity_us_cm == pytest.approx(0.172)


@pytest.mark.parametrize("delimiter", [";", " "])
def test_a_unit_that_switches_with_the_range_is_read_from_each_line(delimiter: str) -> None:
    said = ["0.531 mS/cm" if n % 3 else "531.0 uS/cm" for n in range(13)]
    lines = (
        f"{41 + n / 10:.2f} mV{delimiter}21.0{n % 5} C{delimiter}{each}\n" for n, each in enumerate(said)
    )
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.read == found.seen
    assert found.last is not None
    assert found.last.conductivity_us_cm == pytest.approx(531.0)
    assert "status" not in found.settings


@pytest.mark.parametrize(
    ("line", "negative"),
    [
        ("+ {:.1f} mV, + 21.04 C", "- 3.5 mV, + 21.04 C"),
        ("+{:05.1f}+21.04+0.178{}", "-003.5+21.04+0.1784"),
        ("E:+ {:.1f}; T:+ 21.04", "E:- 3.5; T:+ 21.04"),
    ],
)
def test_a_sign_apart_from_its_number_may_change(line: str, negative: str) -> None:
    lines = (line.format(41 + n / 10, n % 7) + "\r\n" for n in range(12))
    found = propose([(200 * n, each.encode()) for n, each in enumerate(lines)])
    assert found is not None
    reading = LineReader(LineFormatSettings(**found.settings)).reading(Line(negative.encode()), 0)
    assert reading is not None
    assert (reading.mv, reading.temperature_c) == (-3.5, 21.04)


def test_a_dash_between_two_numbers_is_no_sign() -> None:
    lines = (f"{41 + n / 10:.1f} mV - 21.0{n % 5} C\r\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.last is not None
    assert found.last.temperature_c == pytest.approx(21.01)


def test_no_number_is_the_potential_where_one_has_an_unknown_unit_of_voltage() -> None:
    lines = (f"{41350 + n} uV;21.0{n % 5};{0.170 + n / 1000:.3f}\r\n" for n in range(12))
    assert propose([(200 * n, line.encode()) for n, line in enumerate(lines)]) is None


def test_digits_without_end_are_no_potential() -> None:
    lines = (f"{n:04d}+{4135 + n:05d}21070{1780 + n:04d}\r\n" for n in range(12))
    assert propose([(200 * n, line.encode()) for n, line in enumerate(lines)]) is None


def test_a_small_potential_may_be_a_ph_and_is_told_so() -> None:
    lines = (f"6.28{n % 7};21.{n % 3}\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert "if it is pH" in found.numbers[0]


def test_words_in_place_of_numbers_get_flags() -> None:
    said = [("41.3 mV", "21.0 C"), ("OVER", "21.1 C"), ("41.5 mV", "---"), ("41.6 mV", "21.2 C")] * 6
    found = propose([(200 * n, f"{mv};{t}\r\n".encode()) for n, (mv, t) in enumerate(said)])
    assert found is not None
    assert found.settings["status"] == {"OVER": "meter-overrange", "---": "meter-status"}
    assert found.read == found.seen


def test_a_prompt_is_left_out_for_it_is_dropped_before_the_next_question() -> None:
    sent = b"".join(b"%d.5;21.0%d\r\nREADY>" % (25 + n, n % 7) for n in range(14))
    found = propose([(0, sent)], b"MEAS\r")
    assert found is not None
    assert found.settings["columns"] == ["mv", "temperature_c"]


def test_a_check_sum_behind_the_end_of_text_is_no_status() -> None:
    sent = [(400 * n, b"\x02+%04d.5 21.%02d\x03%02X" % (41 + n, n, n * 37 % 256)) for n in range(14)]
    found = propose(sent)
    assert found is not None
    assert "status" not in found.settings
    assert found.read == found.seen


def test_a_number_that_goes_with_the_mv_as_a_ph_does_is_not_taken_for_a_conductivity() -> None:
    lines = (f"{25 + n / 10:.1f}\t21.{n % 3}\t{7 - (25 + n / 10) / 59:.2f}\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.last is not None
    assert found.last.conductivity_us_cm is None
    assert "it may be the pH" in found.numbers[-1]


def test_a_number_that_got_a_meaning_is_told_though_it_stands_still() -> None:
    lines = (f"{25 + n / 10:.1f};21.0\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.numbers[1] == "always 21: temperature_c, a guess from its size and place"


def test_nanosiemens_are_taken_for_what_they_are() -> None:
    lines = (f"E={25 + n / 10:.1f}mV COND {61 + n / 10:.1f}nS/cm\n" for n in range(12))
    found = propose([(200 * n, line.encode()) for n, line in enumerate(lines)])
    assert found is not None
    assert found.last is not None
    assert found.last.conductivity_us_cm == pytest.approx(0.0621)


@example([(0, b""), (21, b"!"), (21, b":"), (21, b"e0")])  # a single number counts nothing
@given(st.lists(st.tuples(st.integers(0, 2000), st.binary(max_size=60)), max_size=12))
@settings(max_examples=60, deadline=None)
def test_arbitrary_bytes_give_a_proposal_or_none(pieces: list[tuple[int, bytes]]) -> None:
    at_ms = itertools.accumulate(pause for pause, _ in pieces)
    chunks = list(zip(at_ms, (content for _, content in pieces), strict=True))
    found = propose(chunks)
    assert found is None or 0 < found.read <= found.seen


@given(st.lists(st.text("0123456789.,;+-eE \tmVC°µ*:/\"'{}", max_size=24), min_size=4, max_size=8))
@settings(max_examples=60, deadline=None)
def test_lines_that_look_like_readings_give_a_proposal_or_none(lines: list[str]) -> None:
    data = "".join(line + "\n" for line in lines).encode("latin-1")
    found = propose([(0, data)])
    assert found is None or 0 < found.read <= found.seen
