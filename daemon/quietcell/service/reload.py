"""Take over another configuration while the daemon runs: all of it or nothing."""

import asyncio
from collections.abc import Awaitable, Callable, Collection
from dataclasses import asdict, dataclass

import structlog

from quietcell.config import Config
from quietcell.core.records import Json
from quietcell.errors import CommandError, ConfigError
from quietcell.ledger.journal import Journal
from quietcell.service.assembly import configured, engine_settings
from quietcell.service.cells import Cells, Meter, Planned
from quietcell.service.notify import Notifier

RELOADABLE = frozenset({"alarms", "cells", "criteria", "outlets", "panel"})
"""Tables that may change while the daemon runs."""
CellPlan = dict[str, Planned]


def planned_cells(config: Config, journal: Journal | None = None) -> CellPlan:
    """Return what each cell with a meter judges by and measures with.

    Parameters
    ----------
    config : Config
        The configuration.
    journal : Journal, optional
        Tells what was calibrated and checked; without it only the configuration counts.

    Raises
    ------
    ConfigError
        If there is none, or one lacks what it needs.
    """
    plan: CellPlan = {}
    faults: list[str] = []
    for name, cell in config.cells.items():
        if cell.driver is None:
            continue
        if cell.settings is None:
            faults.append(f"cells.{name}.settings: missing; the driver needs its settings")
            continue
        try:
            settings = configured(config, name) if journal is None else engine_settings(config, name, journal)
            plan[name] = settings, Meter(driver=cell.driver, settings=cell.settings)
        except ConfigError as error:
            faults += error.faults
    if not plan and not faults:
        faults.append("cells: no cell has a driver; there is nothing to measure")
    if faults:
        raise ConfigError(faults)
    return plan


def check_reloadable(old: Config, new: Config) -> None:
    """Refuse what a running daemon cannot take over.

    Raises
    ------
    ConfigError
        Names every table that needs a restart.
    """
    faults = [
        f"{table}: was changed; this needs a restart of the daemon, so nothing was taken over"
        for table in type(new).model_fields
        if table not in RELOADABLE and getattr(old, table) != getattr(new, table)
    ]
    if faults:
        raise ConfigError(faults)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Cells to begin with, to end and to change; and what was changed that concerns no cell at work."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]
    besides: tuple[str, ...]
    """As the file names it, such as ``outlets.mqtt``."""


def difference(
    cells: Cells, plan: CellPlan, old: Config, new: Config, renewed: Collection[str] = ()
) -> Difference:
    """Compare the cells at work with a plan, and the configuration in force with another.

    `renewed` are keys that name the same file as before, which holds something else.
    """
    added = tuple(name for name in plan if name not in cells)
    removed = tuple(name for name in cells if name not in plan)
    changed = tuple(
        name
        for name, (settings, meter) in plan.items()
        if name in cells and (cells[name].settings, cells.meter_of(name)) != (settings, meter)
    )
    concerned = {f"cells.{name}" for name in (*added, *removed, *changed)}
    before, after = _parts(old), _parts(new)
    differing = {part for part in before.keys() | after if before.get(part) != after.get(part)}
    differing |= {key for key in renewed if not any(key.startswith(part) for part in differing)}
    return Difference(
        added=added, removed=removed, changed=changed, besides=tuple(sorted(differing - concerned))
    )


def _parts(config: Config) -> dict[str, object]:
    """Return what stands in the tables that may change, by table and key."""
    return {
        f"{table}.{key}": value
        for table in RELOADABLE
        for key, value in dict(getattr(config, table) or ()).items()
    }


class Reloader:
    """Reloads when asked, one at a time.

    Parameters
    ----------
    config : Config
        In force now.
    reread : callable or None
        Reads and checks the configuration; None where there is no file.
    cells : Cells
        At work.
    plan : callable
        Returns what cells judge by under a configuration; raises `ConfigError`.
    adopt : callable
        Takes over the rest of a configuration and records it; raises `ConfigError` before it changes
        anything. Returns the keys of secrets and certificates that were renewed in their files.
    notifier : Notifier
        Told of the beginning and the end.
    """

    def __init__(
        self,
        config: Config,
        reread: Callable[[], Config] | None,
        cells: Cells,
        *,
        plan: Callable[[Config], Awaitable[CellPlan]],
        adopt: Callable[[Config], Awaitable[Collection[str]]],
        notifier: Notifier,
    ) -> None:
        self._config = config
        self._reread = reread
        self._cells = cells
        self._plan = plan
        self._adopt = adopt
        self._notifier = notifier
        self._one = asyncio.Lock()

    async def command(self, _request: dict[str, Json]) -> dict[str, Json]:
        """Reload for whoever asks; the answer names what was changed, or every fault."""
        return asdict(await self.reload())

    async def whenever(self, asked: asyncio.Event) -> None:
        """Reload each time `asked` is set; the outcome is in the log."""
        log = structlog.get_logger()
        while True:
            await asked.wait()
            asked.clear()
            try:
                await self.reload()
            except (ConfigError, CommandError):
                continue  # in the log already
            except Exception:  # the next one may do better
                log.exception("reload broke")

    async def reload(self) -> Difference:
        """Read the configuration again and take it over.

        Raises
        ------
        ConfigError
            If anything in it is wrong or needs a restart; nothing was changed.
        """
        log = structlog.get_logger()
        if self._reread is None:
            raise CommandError("this daemon has no configuration file to read again", subject="reload")
        async with self._one:
            self._notifier.reloading()
            refused = "the changed configuration was not taken over, see the log; "
            try:
                new = await asyncio.to_thread(self._reread)
                await self._plan(new)  # raises before anything is changed
                check_reloadable(self._config, new)
                renewed = await self._adopt(new)
                change = difference(self._cells, await self._plan(new), self._config, new, renewed)
                self._config = new
                await self._apply(change)
                refused = ""
            except ConfigError as error:
                log.error("configuration not taken over", faults=error.faults)  # noqa: TRY400 # faults say it all
                raise
            finally:
                self._notifier.ready(f"{refused}measuring {', '.join(self._cells)}")
            log.info("configuration taken over", **asdict(change))
            return change

    async def _apply(self, change: Difference) -> None:
        """Bring the cells at work in line with the configuration; those without a change do not notice.

        What is calibrated and checked while others end or begin counts: the plan is made anew for each.
        """
        for name in change.removed:
            await self._cells.remove(name)
        for name in change.changed:
            async with self._cells[name].changing:
                await self._cells.change(name, *(await self._plan(self._config))[name])
        for name in change.added:
            await self._cells.add(name)
