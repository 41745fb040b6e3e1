import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietcell.config import Config, example_text, load_config, parse_config
from quietcell.core.endpoint.criterion import SHIPPED
from quietcell.core.engine import Engine
from quietcell.core.inputs import TimeMark
from quietcell.errors import ConfigError
from quietcell.service.assembly import configured
from tests.config.fake_drivers import DRIVERS, LoopSettings
from tests.support.streams import SHORT, began, determinations, readings, run

HEAD = """\
[site]
name = "merrow-sound"
[store]
folder = "state"
"""
CELL = """\
[cells.hall]
driver = "loop-lines"
settings = { port = "/dev/null" }
"""


def faults(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_config(text, "loop.toml", DRIVERS)
    return caught.value.faults


def good(text: str) -> Config:
    return parse_config(text, "loop.toml", DRIVERS)


def test_six_planted_faults_give_six_lines_in_order() -> None:
    text = """\
[site]
name = "merrow-sound"
[store]
folder = "state"
readings_commit_s = "five"

[cells.live-feed-room]
driver = "loop-lines"
every = 300
settings = { port = "/dev/null", conductivity_unit = "kS/cm" }

[cells.larval-hall]
driver = "lop-lines"

[cells.header-tank.calibration]
zero_mv = 3.1

[outlets.mqtt]
host = "localhost"
password = "winkle"
"""
    found = faults(text)
    assert [line.split(": ")[:2] for line in found] == [
        ["loop.toml:5", "store.readings_commit_s"],
        ["loop.toml:9", "cells.live-feed-room.every"],
        ["loop.toml:10", "cells.live-feed-room.settings.conductivity_unit"],
        ["loop.toml:13", "cells.larval-hall.driver"],
        ["loop.toml:15", "cells.header-tank.calibration.slope_pct"],
        ["loop.toml:20", "outlets.mqtt.password"],
    ]
    for line, said in zip(
        found,
        [
            'is "five"; must be a number',
            'unknown key; did you mean "every_s"? allowed: buffer_criterion, calibration,',
            'is "kS/cm"; must be one of "uS/cm", "mS/m", "S/m"',
            'unknown driver "lop-lines"; did you mean "loop-lines"? allowed: loop-lines, still',
            "missing; slope, % of theory",
            'a secret stands in clear; write password = { credential = "NAME" } or { file = "PATH" }',
        ],
        strict=True,
    ):
        assert said in line
    assert "winkle" not in "".join(found)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("window_s = 60,0\r\n",
         "is not TOML: Expected newline or end of document after a statement, at ',0'"),
        ("a = “b”\n", "loop.toml:1: configuration: is not TOML: Invalid value, at '“b”'"),
        ("password = winkle\n", "loop.toml:1: configuration: is not TOML: Invalid value"),
        ("a = [1,\n2\nb = 3\n", "loop.toml:3: configuration: is not TOML: Unclosed array"),
        ("[a]\n[a]\n", "loop.toml:2: configuration: is not TOML: Cannot declare ('a',) twice"),
        ('a = """\n\n', "loop.toml:3: configuration: is not TOML: Unterminated string"),
        ("a = " + "[\n" * 5000, "loop.toml:1: configuration: is nested too deeply"),
        ("x = 1\na = " + "9" * 990, "is an integer of"),
        ("a = 0x" + "f" * 990, "loop.toml:1: a: is an integer of 3960 bits; must have at most 53"),
        ("a = inf", "loop.toml:1: a: is inf; must be a finite number"),
        ("\n" + "a" * 1001, "loop.toml:2: configuration: this line has more than 1000 characters"),
        ("#\n" * 140_000, "loop.toml:1: configuration: is larger than 256 KiB"),
        ("a\ud800 = 1", "loop.toml:1: configuration: is not TOML: a number is too long, or a character"),
        (".".join("abcdefghijklmnopqrst") + " = 1", "is nested deeper than 16 levels"),
        ("", "loop.toml:1: cells: missing; cells by name, each a table [cells.NAME]"),
        ("[cells]\n", "loop.toml:1: cells: is a table; must have at least 1 item"),
        ("[cells]\nhall = 5\n", "loop.toml:2: cells.hall: is 5; must be a table"),
        ("cells = 5\n", "loop.toml:1: cells: is 5; must be a table"),
        ("[cells.Hall]\n", "loop.toml:1: cells.Hall: must be a name: lower-case letters a-z, digits and -"),
        ('[cells."b\\u001b[1m"]\n', 'cells."b\\u001b[1m": must be a name'),
        ("[cells.daemon]\n", "loop.toml:1: cells.daemon: is reserved for the daemon itself"),
        ("[cells.hall]\nsettings = {}\n", "loop.toml:2: cells.hall.settings: needs a driver beside it"),
        ("[cells.hall]\ndriver = 5\n", "loop.toml:2: cells.hall.driver: is 5; must be text in quotes"),
        ('[cells.hall]\ndriver = "still"\n', "loop.toml:1: site: missing; cells with a driver need [site]"),
        (HEAD + '[cells.hall]\ndriver = "still"\nsettings = 5',
         "loop.toml:7: cells.hall.settings: is 5; must be"),
        (HEAD + '[cells.hall]\ndriver = "loop-lines"\n',
         "loop.toml:5: cells.hall.settings.port: missing; device"),
        (CELL + "[cells.hall.x]\n",
         "loop.toml:4: cells.hall.x: unknown key; allowed: buffer_criterion, calibration"),
        ('[cells.hall]\ncriterion = "loop-watr"\n', 'did you mean "loop-water"? allowed: buffer, grab-water'),
        ("[cells.hall]\nph_decimals = 2.0\n", "is 2.0; must be"),
        ("[cells.hall]\nph_decimals = true\n", "loop.toml:2: cells.hall.ph_decimals: is true; must be a"),
        ("[cells.hall]\nhold_up_ml = 0\n",
         "loop.toml:2: cells.hall.hold_up_ml: is 0; must be greater than 0"),
        ('[cells.hall]\nmode = "fast"\n', 'is "fast"; must be one of "continuous", "on-request"'),
        ('[cells.hall]\nmode = "on-request"\nevery_s = 5\n',
         "loop.toml:3: cells.hall.every_s: does not go with"),
        ("[cells.hall]\nreference_outflow_ul_h = 5\n", "needs conductivity_position: upstream, downstream"),
        ('[cells.hall]\nsample_point = "a\\u001b[2J"\n', "must be one line of printable text"),
        ("[criteria.buffer]\n[cells.hall]\n", 'give yours another name and based_on = "buffer"'),
        ("[log]\nfromat = 1\n[cells.hall]\n", 'log.fromat: unknown key; did you mean "format"?'),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_line_key_and_what_is_allowed(text: str, fault: str) -> None:
    assert any(fault in found for found in faults(text)), faults(text)


@pytest.mark.parametrize(
    ("settings_text", "key", "fault"),
    [
        (
            'port = "p"\ncolumns = ["mv", "volts"]',
            "columns",
            "'volts' is no column; allowed: mv, temperature_c",
        ),
        (
            'port = "p"\nscaling.factr = 2',
            "scaling.factr",
            'unknown key; did you mean "factor"? allowed: factor',
        ),
        ('port = "p"\nscaling = { factor = -1 }', "scaling.factor", "is -1; must be greater than 0"),
        ('port = "p"\npassword = 5', "password", "must be text in quotes"),
    ],
)
def test_driver_settings_are_checked_by_the_drivers_own_model(
    settings_text: str, key: str, fault: str
) -> None:
    text = f'{HEAD}[cells.hall]\ndriver = "loop-lines"\n[cells.hall.settings]\n{settings_text}\n'
    assert faults(text) == [f"loop.toml:9: cells.hall.settings.{key}: {fault}"]


@pytest.mark.parametrize(
    ("numbers", "fault"),
    [
        ("max_wait_s = 360",
         "criteria.own.max_wait_s: max_wait_s = 360 must exceed min_wait_s + longest window = 360"),
        ("window_s = 300", "criteria.own.window_s: long_window_s = 300 must exceed window_s = 300"),
        ("max_gap_s = 60", "criteria.own.max_gap_s: max_gap_s = 60 must be less than window_s = 60"),
        ("flow_low_ml_min = 9\nflow_high_ml_min = 9",
         "criteria.own.flow_low_ml_min: is 9; must be less than"),
        ("max_drift_mv_per_min = 0.09", "shows no less than 0.1 mV/min over 60 s; raise the limit"),
        ("long_max_drift_mv_per_min = 0.01", "shows no less than 0.02 mV/min over 300 s"),
        ("resolution_mv = 1", "criteria.own.resolution_mv: max_drift_mv_per_min = 0.3 is out of reach"),
        ("max_remaining_ph = 0.001",
         "max_remaining_ph 0.001 pH is out of reach: a meter with steps of 0.1 mV"),
        ("agreeing = { portions = 2, within_ph = 0.001 }",
         "criteria.own.agreeing: agreeing 0.001 pH is out of reach"),
        ('based_on = "buffer"\nlong_max_drift_mv_per_min = 1',
         "needs long_window_s: buffer has no long window"),
        ('based_on = "mine"', 'is "mine"; must be one of "loop-water", "grab-water", "buffer"'),
    ],
)  # fmt: skip
def test_a_criterion_that_cannot_be_met_is_a_fault(numbers: str, fault: str) -> None:
    found = faults(f"[cells.hall]\n[criteria.own]\n{numbers}\n")
    assert len(found) == 1 or numbers.startswith("resolution")
    assert fault in found[0]


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        (
            "calibration]\nslope_pct = 0.98\nzero_mv = 0",
            "must lie within 10 and 200 % of theory, negative for",
        ),
        ("calibration]\nslope_pct = 98\nzero_mv = 0\nbracket_ph = [9, 4]", "is [9, 4]; must be [low, high]"),
        ("calibration]\nslope_pct = 98\nzero_mv = 0\nbracket_ph = [4]", "bracket_ph[1]: missing; lowest and"),
        ('calibration]\nslope_pct = 98\nzero_mv = 0\nexpires = "soon"', "must be a day such as 2027-03-31"),
        ('recording]\ntime = "elapsed-s"\nstart = "8 h"', "must be a time with its offset from UTC, such as"),
        ('recording]\ntime = "row"', 'interval_s: missing; time = "row" needs the time from row to row'),
        ('recording]\ntime = "elapsed-s"', 'start: missing; time = "elapsed-s" needs the time'),
        ("recording]\nstart = 2026-03-01T00:00:00Z", 'start: does not go with time = "rfc3339"'),
        ('recording]\ntime = "elapsed-s"\nstart = 2026-03-01T00:00:00', "start: has no offset from UTC"),
        ("recording]\ndecimal_comma = true", "decimal_comma: needs another delimiter than a comma"),
        (
            'recording]\ntime = "local"\nzone = "UTC"',
            'time_format: missing; time = "local" needs the form of the time',
        ),
        (
            'recording]\ntime = "local"\nzone = "UTC"\ntime_format = "%H:%M:%S"',
            "must tell day, month, year and hour",
        ),
        (
            'recording]\ntime = "local"\nzone = "UTC"\ntime_format = "%d %Q"',
            "holds something that is no directive",
        ),
        ('recording]\nzone = "Oslo"', 'zone: is "Oslo"; is no zone; write an offset like +01:00'),
        ('recording]\nzone = "UTC"', 'zone: does not go with time = "rfc3339"; it belongs to time = "local"'),
        ('recording]\nencoding = "base64"', "is no encoding of text"),
        ("recording]\ncolumns = { time = [], mv = 3 }", "columns.time: is a list; names no column"),
        (
            'recording]\ncolumns = { time = "t", mv = 0 }',
            "columns.mv: is 0; must be a heading, or the number",
        ),
        ('recording]\nunits = { mv = "kV" }', "units.mv: 'kV' is no unit known here; there is mV, V"),
        (
            'recording]\ncolumns = { time = 1, mv = 2 }\nunits = { flow_ml_min = "L/h" }',
            "units: tells the unit of flow_ml_min, which has no column",
        ),
        ('recording]\ndelimiter = "|"', 'is "|"; must be one of ",", ";", "\\t"'),
        ("recording]\ninterval_s = 1", 'interval_s: does not go with time = "rfc3339"'),
        ('recording]\ncolumns = { time = "t", mv = "e", ph = "p" }', "columns.ph: stands in place of mv"),
        ('recording]\ncolumns = { time = "t" }', "columns.mv: missing; name the column of the potential"),
        ('recording]\ncolumns = { mv = "e" }', 'columns: names no time; time = "rfc3339" needs that column'),
        (
            'recording]\ntemperature_c = 25\ncolumns = { time = "t", mv = "e", temperature_c = "c" }',
            "temperature_c: is fixed here and has a column too; keep one of the two",
        ),
    ],
)
def test_a_cells_tables_are_checked_as_a_whole(table: str, fault: str) -> None:
    found = faults(f"[cells.hall]\n[cells.hall.{table}\n")
    assert len(found) == 1
    assert fault in found[0]


@pytest.mark.parametrize(
    "beside",
    [
        'host = "127.0.0.1"',
        'host = "localhost"',
        'host = "::1"',
        'host = "sea"\ntls = {}',
        'host = "sea"\npassword_in_clear = true',
    ],
)
def test_a_password_stays_on_this_machine_or_is_encrypted_or_someone_says_otherwise(beside: str) -> None:
    mqtt = good(f'[cells.hall]\n[outlets.mqtt]\npassword = {{ credential = "x" }}\n{beside}\n').outlets.mqtt
    assert mqtt is not None
    assert mqtt.password is not None


@pytest.mark.parametrize(
    ("outlets", "fault"),
    [
        ('[outlets.mqtt]\nhost = "me:winkle@sea"', "outlets.mqtt.host: holds a user or secret in clear"),
        ('[outlets.mqtt]\nhost = "mqtt://sea"',
         "must be a bare host name or address, without scheme or path"),
        ('[outlets.mqtt]\nhost = "sea"\nprotocol = 5', 'must be one of "5", "3.1.1"'),
        ('[outlets.mqtt]\nhost = "sea"\npassword = {}', "password.credential: missing; write credential"),
        ('[outlets.mqtt]\nhost = "sea"\npassword = { credential = "../x" }', "must match"),
        ('[outlets.mqtt]\nhost = "::1"\nprotocol = "3.1.1"\npassword = { credential = "x" }',
         "password: needs username beside it in MQTT 3.1.1"),
        ('[outlets.mqtt]\nhost = "127.0.0.1.sea"\npassword = { credential = "x" }',
         "outlets.mqtt.password: anyone between here and 127.0.0.1.sea could read it; add a table tls"),
        ('[outlets.mqtt]\nhost = "sea"\ntls = { cert = "a" }', "outlets.mqtt.tls.cert: needs key beside it"),
        ('[outlets.mqtt]\nhost = "sea"\ntls = { key = "a" }', "outlets.mqtt.tls.key: needs cert beside it"),
        ('[outlets.files]\nfolder = "f"\ndrop_folder = "f"', "drop_folder: is the folder of the daily files"),
        ('[outlets.files]\nfolder = "f"\nformats = ["jsonl"]\ncsv = {}', 'csv: formats does not name "csv"'),
        ('[outlets.files]\nfolder = "f"\nformats = ["xml"]',
         'formats[0]: is "xml"; must be one of "jsonl", "csv"'),
        ('[outlets.files]\nfolder = "f"\nformats = []', "formats: is a list; must have at least 1 item"),
        ('[outlets.files]\nfolder = "f"\nrecords = ["result"]', 'records[0]: is "result"; must be one of'),
        ('[outlets.files]\nfolder = "f"\ncsv.decimal_comma = true',
         "a decimal comma needs another delimiter"),
        ('[outlets.files]\nfolder = ""', "must be the path of a file or folder"),
        ('[outlets.files]\nfolder = "results\\new"', "must be a path on one line"),
        ('[outlets.files]\nfolder = "~/results"', "must name the folder itself"),
        ('[outlets.mqtt]\nhost = "sea:8883"',
         "must be a bare host name or address; the number belongs to port"),
        ('[outlets.files]\nfolder = "f"\ncsv.columns = [{ path = "ph" }, { path = "x", name = "ph" }]',
         "columns: two columns are headed 'ph'"),
    ],
)  # fmt: skip
def test_outlets_are_checked(outlets: str, fault: str) -> None:
    found = faults(f"[cells.hall]\n{outlets}\n")
    assert len(found) == 1
    assert fault in found[0]
    assert "winkle" not in found[0]


def test_a_mistyped_required_key_is_one_fault() -> None:
    assert faults('[site]\nnme = "x"\n[cells.hall]\n') == [
        'loop.toml:2: site.nme: unknown key; did you mean "name"? allowed: name'
    ]


def test_a_cell_used_only_for_replay_needs_neither_driver_nor_site_nor_store() -> None:
    config = good("[cells.tank.calibration]\nslope_pct = -99\nzero_mv = 3\n")
    assert config.cells["tank"].driver is None
    assert config.cells["tank"].settings is None
    assert config.criterion_of("tank") == SHIPPED["loop-water"]


def test_driver_settings_arrive_as_the_drivers_own_type() -> None:
    cell = good(HEAD + CELL).cells["hall"]
    assert cell.settings == LoopSettings(port="/dev/null")
    assert good(HEAD + '[cells.hall]\ndriver = "still"\n').cells["hall"].settings is not None


def test_an_own_criterion_takes_unset_numbers_from_the_one_it_is_based_on() -> None:
    config = good(
        '[cells.hall]\ncriterion = "own"\n[criteria.own]\nbased_on = "grab-water"\nwindow_s = 90\n'
        "agreeing = { portions = 3, within_ph = 0.02 }\n"
    )
    own = config.criterion_of("hall")
    assert (own.window_s, own.long_window_s, own.max_wait_s) == (90.0, None, 3600.0)
    assert (own.agreeing_portions, own.agreeing_within_ph) == (3, 0.02)


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_the_shipped_criteria_pass_the_check_of_own_ones(name: str) -> None:
    config = good(f'[cells.hall]\ncriterion = "same"\n[criteria.same]\nbased_on = "{name}"\n')
    assert config.criterion_of("hall") == SHIPPED[name]


def test_relative_paths_start_at_the_folder_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "loop.toml"
    path.write_text(HEAD + CELL + '[outlets.files]\nfolder = "/srv/files"\n')
    config = load_config(path, DRIVERS)
    assert config.store.folder == tmp_path / "state"
    assert config.outlets.files is not None
    assert config.outlets.files.folder == Path("/srv/files")


@pytest.mark.parametrize(
    ("folders", "fault"),
    [
        ('folder = "state"', "folder: is the ledger's folder"),
        ('folder = "up/../state"', "folder: is the ledger's folder"),
        ('folder = "link"', "folder: is the ledger's folder"),
        ('folder = "results"\ndrop_folder = "state/drop"', "drop_folder: lies in the ledger's folder"),
        ('folder = "results"\ndrop_folder = ".."', "drop_folder: holds the ledger's folder"),
        ('folder = "results"\ndrop_folder = "up/../results"', "drop_folder: is the folder of the daily"),
    ],
)
def test_results_and_ledger_share_no_folder(tmp_path: Path, folders: str, fault: str) -> None:
    (tmp_path / "link").symlink_to("state")
    (tmp_path / "up").mkdir()
    path = tmp_path / "loop.toml"
    path.write_text(f"{HEAD}{CELL}[outlets.files]\n{folders}\n")
    with pytest.raises(ConfigError) as caught:
        load_config(path, DRIVERS)
    (line,) = caught.value.faults
    assert f"outlets.files.{fault}" in line


def test_windows_line_ends_and_a_byte_order_mark_change_no_line(tmp_path: Path) -> None:
    path = tmp_path / "loop.toml"
    path.write_bytes(b"\xef\xbb\xbf" + b"[cells.hall]\r\n\r\nx = 1\r\n")
    with pytest.raises(ConfigError, match=r"loop\.toml:3: cells\.hall\.x: unknown key"):
        load_config(path, DRIVERS)


def test_an_unreadable_file_says_so(tmp_path: Path) -> None:
    for path, wrong in [
        (tmp_path / "absent.toml", "cannot be read: No such file or directory"),
        (tmp_path, "cannot be read: Is a directory"),
    ]:
        with pytest.raises(ConfigError, match=wrong):
            load_config(path, DRIVERS)
    path = tmp_path / "latin.toml"
    path.write_bytes(b"[site]\nname = '\xb5'\n")
    with pytest.raises(ConfigError, match=r"latin\.toml:2: configuration: byte 0xB5 is not UTF-8"):
        load_config(path, DRIVERS)


SNIPPETS = st.sampled_from([
    "[cells.hall]\n", "[[cells]]\n", "[criteria.buffer]\n", "cells.hall.", 'driver = "loop-lines"\n',
    "settings = ", "{ port = 5, ", "}", "[", "]", "=", '"', "'''", "\n", "#", "inf", "-1e400", "1979-05-27",
    "calibration.", "slope_pct", "recording", "columns", "outlets.mqtt.", "password = ", "\\ud800", "\r", ".",
    ",", "0x", "true", "[outlets.files.csv]\n", "host = 'a@b'\n", "criterion = 'x'\n", "window_s = 1e-9\n",
])  # fmt: skip


def faults_of(text: str) -> list[str]:
    """Return the faults of a text that may have none; any other error escapes."""
    try:
        good(text)
    except ConfigError as error:
        return error.faults
    return []


@given(st.one_of(st.text(max_size=200), st.lists(SNIPPETS, max_size=30).map("".join)))
@settings(max_examples=300, deadline=None)
def test_arbitrary_text_is_a_configuration_or_a_configuration_error(text: str) -> None:
    for fault in faults_of(text):
        assert re.match(r"loop\.toml:\d+: .", fault)
        assert fault.isprintable()


LINES = example_text().splitlines()


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_a_damaged_example_is_a_configuration_or_a_configuration_error(data: st.DataObject) -> None:
    rows = list(LINES)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(rows) - 1))
        cut = data.draw(st.integers(0, len(rows[at])))
        rows[at] = rows[at][:cut] + data.draw(SNIPPETS) + rows[at][cut + data.draw(st.integers(0, 3)) :]
    for fault in faults_of("\n".join(rows)):
        assert re.match(r"loop\.toml:\d+: .", fault)


@given(content=st.binary(max_size=100))
def test_arbitrary_bytes_are_a_configuration_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError):
        load_config(path, DRIVERS)


@pytest.mark.parametrize(
    ("key", "ends"),
    [
        ("every_s", ("1e-4", "604800.0")),
        ("hold_up_ml", ("1e-4", "1e5")),
        ("reference_outflow_ul_h", ("0.0", "1e4")),
        ("conductivity_uncertainty_pct", ("0.02", "100.0")),
        ("temperature_uncertainty_c", ("1e-4", "20.0")),
        ("calibration.slope_uncertainty_pct", ("1e-4", "100.0")),
        ("calibration.zero_uncertainty_mv", ("1e-4", "1000.0")),
    ],
)
def test_what_a_configuration_may_say_the_engine_takes(key: str, ends: tuple[str, str]) -> None:
    """To both ends of every range; what lies beyond is a fault of the file, not of the cell."""
    told = '[cells.hall]\nconductivity_position = "same"\n{key} = {end}\n'
    if key.startswith("calibration"):
        told += "calibration.slope_pct = 98.4\ncalibration.zero_mv = 3.1\n"
    for end in ends:
        cell = replace(configured(good(told.format(key=key, end=end)), "hall"), criterion=SHORT)
        assert determinations(run(Engine(cell), [began(), readings(100), TimeMark(ms=100_000)]))
    beyond = 1.5 * float(ends[1])
    assert f"cells.hall.{key}: is " in faults(told.format(key=key, end=beyond))[0]
