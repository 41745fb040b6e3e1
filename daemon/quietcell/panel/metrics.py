"""The live state as Prometheus text (exposition format 0.0.4)."""

from collections.abc import Iterator, Mapping

from quietcell import __version__
from quietcell.core.electrode.condition import Signal
from quietcell.core.records import Json

_CELL = {
    "ph": ("quietcell_indication_ph", "Live pH nobody has accepted, at sample temperature."),
    "temperature_c": ("quietcell_temperature_celsius", "Live sample temperature."),
    "conductivity_us_cm": ("quietcell_conductivity_us_cm", "Live raw conductivity, microsiemens per cm."),
    "flow_ml_min": ("quietcell_flow_ml_min", "Live sample flow, mL per minute."),
    "age_s": ("quietcell_reading_age_seconds", "Age of the last reading."),
}


def metrics_text(live: Mapping[str, Json]) -> str:
    """Return the text of ``/metrics``; without a daemon only that it is down."""
    return "\n".join([*_lines(live), ""])


def _lines(live: Mapping[str, Json]) -> Iterator[str]:
    up = bool(live.get("ok"))
    yield from _family("quietcell_up", "Whether the daemon answers.", [("", float(up))])
    yield from _family(
        "quietcell_build_info", "Version of the page.", [(_label("version", __version__), 1.0)]
    )
    if not up:
        return
    cells = live["cells"]
    for field, (name, text) in _CELL.items():
        rows = [(_label("cell", cell["cell"]), cell[field]) for cell in cells if cell[field] is not None]
        yield from _family(name, text, rows)
    results = [cell for cell in cells if cell["result"] is not None]
    age = [(_label("cell", cell["cell"]), cell["result"]["age_s"]) for cell in results]
    yield from _family("quietcell_result_age_seconds", "Age of the last valid result.", age)
    valid = [(_label("cell", cell["cell"]), float(cell["result_is_current"])) for cell in cells]
    yield from _family("quietcell_result_current", "Whether there is a current valid result.", valid)
    keys = ("cell", "alarm", "priority", "state")
    alarms = [(",".join(_label(key, alarm[key]) for key in keys), 1.0) for alarm in live["alarms"]]
    yield from _family("quietcell_alarm", "Alarms people should see.", alarms)
    signals = [
        (f"{_label('cell', owner)},{_label('condition', signal)}", float(signal == told))
        for owner, told in live["conditions"].items()
        for signal in Signal
    ]
    yield from _family("quietcell_condition", "Signal after NAMUR NE 107; 1 for the one that holds.", signals)
    for name, text, key in (
        ("quietcell_outlet_behind_records", "Records that wait for delivery.", "behind"),
        ("quietcell_outlet_working", "Whether the receiver takes records.", "working"),
    ):
        outlets = [(_label("outlet", outlet["name"]), float(outlet[key])) for outlet in live["outlets"]]
        yield from _family(name, text, outlets)
    yield from _family("quietcell_ledger_seq", "Number of the last record.", [("", float(live["seq"]))])


def _family(name: str, text: str, rows: list[tuple[str, float]]) -> Iterator[str]:
    if rows:
        yield f"# HELP {name} {text}"
        yield f"# TYPE {name} gauge"
        for labels, value in rows:
            yield f"{name}{{{labels}}} {value!r}" if labels else f"{name} {value!r}"


def _label(name: str, value: str) -> str:
    escaped = value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
    return f'{name}="{escaped}"'
