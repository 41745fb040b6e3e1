"""From the configuration to what an engine and a recording need."""

from dataclasses import replace

from quietcell.config import Config
from quietcell.config.recordings import zone_of
from quietcell.core.electrode.nernst import Line
from quietcell.core.electrode.recognition import NOMINAL_LINE
from quietcell.core.recording import Layout
from quietcell.core.settings import CellSettings
from quietcell.core.times import end_of_day_utc_ms
from quietcell.errors import ConfigError
from quietcell.ledger.journal import Journal
from quietcell.service.in_force import in_force, with_in_force


def engine_settings(config: Config, name: str, journal: Journal | None = None) -> CellSettings:
    """Return what the engine of a cell needs.

    Parameters
    ----------
    config : Config
        The configuration.
    name : str
        Of the cell.
    journal : Journal, optional
        Where to look for what was calibrated and checked; with it a cell without any calibration can
        run, far enough to be calibrated.

    Raises
    ------
    ConfigError
        If the cell has no calibration to work with and there is no ledger either.
    """
    cell = config.cells[name]
    if journal is not None:
        fixed = cell.calibration is not None
        found = in_force(journal, name, electrode=cell.electrode, meter=cell.meter, fixed=fixed)
        return with_in_force(configured(config, name), found, fixed=fixed)
    if cell.calibration is None:
        wrong = f"cells.{name}.calibration: missing, and a replay takes none from the ledger"
        raise ConfigError([f"{wrong}; write slope_pct and zero_mv of the calibration that then counted"])
    return configured(config, name)


def configured(config: Config, name: str) -> CellSettings:
    """Return what the configuration alone says of a cell."""
    cell, calibration = config.cells[name], config.cells[name].calibration
    settings = CellSettings(
        cell=name,
        criterion_name=cell.criterion,
        criterion=config.criterion_of(name),
        buffer_criterion_name=cell.buffer_criterion,
        buffer_criterion=config.buffer_criterion_of(name),
        line=NOMINAL_LINE,
        calibrated=False,
        mode=cell.mode,
        every_s=cell.every_s,
        sample_point=cell.sample_point or name,
        electrode=cell.electrode,
        meter=cell.meter,
        kcl_adjusted=cell.kcl_adjusted,
        ph_decimals=cell.ph_decimals,
        conductivity_position=cell.conductivity_position,
        hold_up_ml=cell.hold_up_ml,
        reference_outflow_ul_h=cell.reference_outflow_ul_h,
        conductivity_uncertainty_pct=cell.conductivity_uncertainty_pct,
        temperature_uncertainty_c=cell.temperature_uncertainty_c,
    )
    if calibration is None:
        return settings
    return replace(
        settings,
        calibrated=True,
        line=Line(
            slope_pct=calibration.slope_pct,
            zero_mv=calibration.zero_mv,
            isopotential_ph=calibration.isopotential_ph,
        ),
        calibration_expires_utc_ms=None
        if calibration.expires is None
        else end_of_day_utc_ms(calibration.expires),
        bracket_ph=calibration.bracket_ph,
        slope_uncertainty_pct=calibration.slope_uncertainty_pct,
        zero_uncertainty_mv=calibration.zero_uncertainty_mv,
    )


def recording_encoding(config: Config, name: str) -> str:
    """Return how the text of a cell's recordings is encoded."""
    settings = config.cells[name].recording
    return "utf-8" if settings is None else settings.encoding


def recording_layout(config: Config, name: str) -> Layout:
    """Return how the recordings of a cell are laid out."""
    settings = config.cells[name].recording
    if settings is None:
        return Layout()
    columns = settings.columns.headings()
    if settings.temperature_c is not None:
        columns.pop("temperature_c", None)
    if settings.time == "row":
        columns.pop("time", None)
    named = settings.named()
    return Layout(
        columns=columns,
        time=settings.time,
        time_format=settings.time_format or "",
        zone=None if settings.zone is None else zone_of(settings.zone),
        start_utc_ms=0 if settings.start is None else round(settings.start.timestamp() * 1000),
        interval_s=settings.interval_s or 1.0,
        temperature_c=settings.temperature_c,
        ph_line=configured(config, name).line,
        units=settings.units.named(),
        not_measured=frozenset(settings.not_measured),
        required=frozenset(key for key in columns if key in named or key in {"mv", "ph", "time"}),
        delimiter=settings.delimiter,
        decimal_comma=settings.decimal_comma,
        leave_out_unreadable=settings.leave_out_unreadable,
    )
