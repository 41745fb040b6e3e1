"""The settings of a cell in a span, and what changed from one to the next."""

from collections.abc import Iterator, Mapping

from quietcell.core.records import Json
from quietcell.report.cell_report import Configuration, SettingChange
from quietcell.report.material import CellMaterial, Entry


def settings_in_force(material: CellMaterial) -> Iterator[Configuration]:
    """Yield the settings that counted at some instant of the span."""
    entries = material.until_end("configuration")
    for before, each, following in zip([None, *entries], entries, [*entries[1:], None], strict=False):
        if following is None or following.at_ms > material.span.from_ms:
            yield _configuration(each, before)


def changes(before: Mapping[str, Json], after: Mapping[str, Json]) -> Iterator[SettingChange]:
    """Yield which settings differ, those of a criterion or a line one by one.

    Parameters
    ----------
    before, after : mapping of str to JSON value
        Settings as recorded, perhaps by different releases: one that a release did not know is None.
    """
    was, now = dict(_flat(before)), dict(_flat(after))
    for name in sorted(was.keys() | now.keys()):
        if was.get(name) != now.get(name):
            yield SettingChange(setting=name, before=was.get(name), after=now.get(name))


def _flat(settings: Mapping[str, Json], prefix: str = "") -> Iterator[tuple[str, Json]]:
    for name, value in settings.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def _configuration(each: Entry, before: Entry | None) -> Configuration:
    settings = each.body["settings"]
    return Configuration(
        seq=each.seq,
        at=each.body["at"],
        sha256=each.sha256,
        mode=settings["mode"],
        every_s=settings["every_s"],
        criterion=settings["criterion_name"],
        calibrated=settings.get("calibrated", True),
        calibration_id=settings.get("calibration_id"),
        slope_pct=settings["line"]["slope_pct"],
        zero_mv=settings["line"]["zero_mv"],
        electrode=settings.get("electrode"),
        meter=settings.get("meter"),
        changed=None if before is None else tuple(changes(before.body["settings"], settings)),
    )
