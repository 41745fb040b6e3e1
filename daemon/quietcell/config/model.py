"""The whole configuration: every table and key, with unit and meaning."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from quietcell.config.alarms import AlarmName, AlarmSettings, not_in_a_circle
from quietcell.config.cells import CellName, CellSettings
from quietcell.config.criteria import CriterionName, CriterionSettings
from quietcell.config.fields import FilePath, Name, Section
from quietcell.config.outlets import OutletSettings
from quietcell.config.panel import PanelSettings
from quietcell.core.endpoint.criterion import SHIPPED, Criterion


class SiteSettings(Section):
    """The place the daemon serves."""

    name: Name = Field(description="Name of the site; part of every MQTT topic.")


class StoreSettings(Section):
    """The ledger."""

    folder: FilePath = Field(description="Folder of the ledger; on a local disk.")
    readings_commit_s: Annotated[float, Field(ge=0.1, le=600)] = Field(
        default=5.0, description="Longest time readings alone wait for the disk, s."
    )
    reserve_mib: Annotated[int, Field(ge=0, le=1024)] = Field(
        default=4, description="Space kept free for records when the disk is full, MiB; 0: none."
    )
    keep_readings_months: Annotated[int, Field(ge=1, le=1200)] | None = Field(
        default=None,
        description="Whole months of readings to keep; absent: all. Other records stay for ever.",
    )


class LogSettings(Section):
    """The log."""

    format: Literal["auto", "text", "json"] = Field(
        default="auto", description="auto: text on a terminal, JSON lines otherwise."
    )


class Config(Section):
    """A configuration that has passed every check."""

    site: SiteSettings = Field(
        default=SiteSettings(name="unnamed"), description="The place; needed once a cell has a driver."
    )
    store: StoreSettings = Field(
        default_factory=lambda: StoreSettings.model_validate({"folder": "state"}, strict=False),
        description="The ledger; needed once a cell has a driver.",
    )
    criteria: dict[CriterionName, CriterionSettings] = Field(default={}, description="Own criteria by name.")
    cells: Annotated[dict[CellName, CellSettings], Field(min_length=1)] = Field(
        description="Cells by name, each a table [cells.NAME]."
    )
    alarms: Annotated[dict[AlarmName, AlarmSettings], AfterValidator(not_in_a_circle)] = Field(
        default={}, description="Rows of the alarm table that differ from the shipped ones, by name."
    )
    outlets: OutletSettings = Field(default=OutletSettings(), description="Where records go.")
    panel: PanelSettings | None = Field(default=None, description="The local page; absent: none.")
    log: LogSettings = Field(default=LogSettings(), description="The log.")

    def criterion_of(self, cell: str) -> Criterion:
        """Return the criterion of the cell named `cell` in full."""
        return self.named_criterion(self.cells[cell].criterion)

    def buffer_criterion_of(self, cell: str) -> Criterion:
        """Return the criterion of its buffers in full."""
        return self.named_criterion(self.cells[cell].buffer_criterion)

    def named_criterion(self, name: str) -> Criterion:
        """Return a criterion, shipped or own, in full."""
        own = self.criteria.get(name)
        return SHIPPED[name] if own is None else own.to_criterion()
