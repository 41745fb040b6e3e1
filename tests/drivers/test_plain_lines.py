"""Plain lines are taken at a glance, and said to be what a closer look would say."""

from hypothesis import given
from hypothesis import strategies as st

from quietcell_drivers.decoding import Decoded, LineDecoder
from quietcell_drivers.line_format import LineFormatSettings
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
