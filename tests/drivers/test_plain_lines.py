"""Plain lines are taken at a glance, and said to be what a closer look would say."""

from hypothesis import given
from hypothesis import strategies as st

from quietcell.core.readings import Flag
from quietcell_drivers.decoding import Decoded, LineDecoder
from quietcell_drivers.framing import Line
from quietcell_drivers.line_format import LineFormatSettings
from quietcell_drivers.line_reader import LineReader
from quietcell_drivers.plain_lines import Values

FORMATS = [
    {"columns": ["mv", "temperature_c"]},
    {"columns": ["temperature_c", "-", "mv"], "delimiter": ",", "units": {"temperature_c": "K", "mv": "V"}},
    {"columns": ["mv", "conductivity_us_cm"], "units": {"conductivity_us_cm": "MΩ·cm"}, "delimiter": "\\t"},
    {"columns": ["mv", "-", "temperature_c"], "delimiter": " "},
    {"columns": ["mv", "temperature_c", "status"], "status": {"OL": "meter-overrange", "RUN": ""}},
    {"columns": ["mv", "temperature_c"], "status": {"-9999": "meter-overrange"}},
    {"columns": ["mv", "flow_ml_min"], "decimal_comma": True, "units": {"flow_ml_min": "L/h"}},
    {"columns": ["mv", "temperature_c"], "encoding": "utf-8", "units": {"temperature_c": "Pt1000 ohm"}},
    {"pattern": r"E (?P<mv>\S+) T (?P<temperature_c>\S+)"},
]
NUMBERS = ["25.04", "-102.3", "+1", "0", "-0", "1097.3", "1e3", "25,04", ".5", "5.", "-9999", "9" * 400]
ODD = ["OL", "RUN", "odd", "", " 7 ", "−3", "\xa025", "1_0", "nan", "inf", "0x1", "٣", "²", "3 mV"]
FIELDS = st.sampled_from(NUMBERS) | st.sampled_from(ODD)
LINES = st.builds(
    lambda fields, delimiter, end: delimiter.join(fields) + end,
    st.lists(FIELDS, max_size=4),
    st.sampled_from([";", ",", "\t", " ", "; ", "  "]),
    st.sampled_from(["", "\r", " ", "\x00"]),
)


def said(decoded: Decoded) -> Values:
    quantities = (decoded.mv, decoded.temperature_c, decoded.conductivity_us_cm, decoded.flow_ml_min)
    return *quantities, int(decoded.flags)


@given(st.sampled_from(FORMATS), LINES | st.text(alphabet="0123456789.,;- \r\tOLRUNE", max_size=20))
def test_a_glance_and_a_closer_look_say_the_same(settings: dict[str, object], text: str) -> None:
    decoder = LineDecoder(LineFormatSettings.model_validate(settings))
    line = text.encode("utf-8")
    closer = decoder.decode(line)
    assert repr(decoder.values(line)) == repr(said(closer) if isinstance(closer, Decoded) else closer)


@given(
    st.sampled_from(FORMATS),
    st.lists(
        st.sampled_from(["25.04;21.06\r", "-1;2", "1\n2;3", "25,04;0,6", "25.04;21.06;OL"]) | LINES,
        max_size=5,
    ),
)
def test_lines_taken_together_are_what_each_of_them_is_alone(
    settings: dict[str, object], texts: list[str]
) -> None:
    line_format = LineFormatSettings.model_validate(settings)
    together, alone = LineReader(line_format), LineReader(line_format)
    lines = [text.encode("utf-8") for text in texts]
    times = [1000 + 3 * place for place in range(len(lines))]
    flags = [int(Flag.BURST) if place % 2 else 0 for place in range(len(lines))]
    each = [alone.row(Line(line), at, flag) for line, at, flag in zip(lines, times, flags, strict=True)]
    assert repr(together.rows(lines, times, flags)) == repr([row for row in each if row is not None])
    assert together.counts == alone.counts
    # What went wrong last flags what comes next.
    assert together.rows([b"1;1", b"2;2"], [0, 0], [0, 0]) == [
        row for line in (b"1;1", b"2;2") if (row := alone.row(Line(line), 0)) is not None
    ]


def test_the_usual_lines_are_taken_together() -> None:
    decoder = LineDecoder(LineFormatSettings.model_validate(FORMATS[0]))
    assert decoder.columns([b"25.04;21.06\r"] * 3) == (
        [25.04] * 3,
        [21.06] * 3,
        [None] * 3,
        [None] * 3,
        [0] * 3,
    )
    assert decoder.columns([b"1;1\n2;2", b"junk"]) is None


def test_the_usual_line_is_taken_at_a_glance() -> None:
    for settings, line in (
        (FORMATS[0], b"25.04;21.06\r"),
        (FORMATS[1], b"294.2, anything, -0.1023"),
        (FORMATS[3], b" 25.04   OK 21.06"),
        (FORMATS[4], b"25.04;21.06;RUN"),
        (FORMATS[6], b"25,04;0,6"),
    ):
        decoder = LineDecoder(LineFormatSettings.model_validate(settings))
        assert decoder._plain.values(line) is not None


def test_blanks_in_columns_nobody_wants_are_not_shared_out_in_every_way() -> None:
    decoder = LineDecoder(LineFormatSettings(columns=["mv", "-", "-", "-", "temperature_c"]))
    blanks = b" " * 80
    assert decoder._plain.values(b";".join([b"25.04", blanks, blanks, blanks, b"x"])) is None
    assert decoder._plain.values(b";".join([b"25.04", blanks, b" a b ", blanks, b" 21.06"])) is not None
