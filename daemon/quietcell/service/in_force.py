"""What the ledger says a cell works with: electrode, calibration, last check, low-ionic check."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from quietcell.core.bench_records import CHECK_GROUPS, CLEARED_BY_CALIBRATION
from quietcell.core.calibration_record import line_error_at, with_calibration
from quietcell.core.electrode.influences import LowIonicCheck
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.core.times import utc_ms
from quietcell.ledger.chain import Stored
from quietcell.ledger.journal import Journal


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """Bodies of the records that count now; None where there is none."""

    electrode: str | None = None
    meter: str | None = None
    calibration: dict[str, Json] | None = None
    """The last accepted one of this cell with this electrode."""
    failed: Mapping[str, dict[str, Json]] = field(default_factory=dict)
    """By group, the last check where it failed and nothing has cleared it."""
    low_ionic: dict[str, Json] | None = None
    """The last low-ionic check that found a bias to correct for."""
    checked_with: dict[str, Json] | None = None
    """The calibration in force at that check."""
    good: Mapping[str, str] = field(default_factory=dict)
    """By group, time of the last good check or accepted calibration."""

    @property
    def failed_check(self) -> dict[str, Json] | None:
        """The last of the failed checks."""
        return max(self.failed.values(), key=lambda body: str(body["at"]), default=None)

    def good_since(self, method: str) -> str | None:
        """Return since when nothing is known to be good that a kind of check speaks of."""
        group = CHECK_GROUPS[method]
        groups = ("ph", "low-ionic") if group == "low-ionic" else (group,)
        return max((self.good[each] for each in groups if each in self.good), default=None)

    def behind(self, body: dict[str, Json], *, fixed: bool) -> "InForce":
        """Return what counts behind one more calibration or check.

        Parameters
        ----------
        body : dict
            Its JSON body.
        fixed : bool
            The configuration fixes the calibration, so that one in the ledger changes nothing.
        """
        if body["record"] == "calibration":
            if body["verdict"] != "accepted":
                return self
            if fixed:
                return replace(self, calibration=body)
            failed = {
                group: each for group, each in self.failed.items() if group not in CLEARED_BY_CALIBRATION
            }
            return replace(self, calibration=body, failed=failed, good={**self.good, "ph": body["at"]})
        group = CHECK_GROUPS[body["method"]]
        if body["verdict"] == "failed":
            return replace(self, failed={**self.failed, group: body})
        return replace(
            self,
            failed={each: failed for each, failed in self.failed.items() if each != group},
            good={**self.good, group: body["at"]},
            low_ionic=body if group == "low-ionic" else self.low_ionic,
            checked_with=self.calibration if group == "low-ionic" else self.checked_with,
        )


def in_force(
    journal: Journal,
    cell: str,
    *,
    electrode: str | None = None,
    meter: str | None = None,
    fixed: bool = False,
) -> InForce:
    """Return what counts now.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    cell : str
        Name of the cell.
    electrode, meter : str, optional
        As the configuration names them; None takes what was last put into the cell.
    fixed : bool
        The configuration fixes the calibration: one in the ledger clears nothing.
    """
    things = things_of(journal, cell)
    found = InForce(electrode=electrode or things.get("electrode"), meter=meter or things.get("meter"))
    for record in of_electrode(journal, cell, found.electrode):
        found = found.behind(record.body(), fixed=fixed)
    for record in journal.of_cell(cell, kinds=("check",)):
        if (body := record.body())["method"] == "temperature":  # the thermometer stays, whatever is put in
            found = found.behind(body, fixed=fixed)
    return found


def of_electrode(journal: Journal, cell: str, electrode: str | None) -> list[Stored]:
    """Return the calibrations and checks of a cell that were of an electrode, in order.

    One without a name is another one as soon as any electrode comes or goes.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    cell : str
        Name of the cell.
    electrode : str or None
        Its name; None for the one without a name that is there now.
    """
    named: list[Stored] = []
    nameless: list[Stored] = []
    for record in journal.of_cell(cell, kinds=("electrode", "calibration", "check")):
        body = record.body()
        if body["record"] != "electrode":
            if body["electrode"] is None:
                nameless.append(record)
            elif body["electrode"] == electrode:
                named.append(record)
        elif body["thing"] == "electrode":
            if body["already_there"] and body["name"] == electrode:
                named += nameless
            nameless = []
    return nameless if electrode is None else named


def names_of(journal: Journal, cell: str, electrode: str | None) -> set[str | None]:
    """Return what records of a cell call an electrode: its name, and none if it was there before."""
    return {electrode, None} if was_unnamed(journal, cell, electrode) else {electrode}


def was_unnamed(journal: Journal, cell: str, electrode: str | None) -> bool:
    """Return whether an electrode was in a cell before it had its name."""
    bodies = (record.body() for record in journal.of_cell(cell, kinds=("electrode",)))
    return any((body["name"], body["already_there"]) == (electrode, True) for body in bodies)


def things_of(journal: Journal, cell: str) -> dict[str, str]:
    """Return what was last put into a cell and has not left it: names by kind of thing."""
    here: dict[str, str] = {}
    for record in journal.of_cell(cell, kinds=("electrode",)):
        body = record.body()
        if body["state"] == "in-use":
            here[body["thing"]] = body["name"]
        elif here.get(body["thing"]) == body["name"]:
            del here[body["thing"]]
    return here


def with_in_force(settings: CellSettings, found: InForce, *, fixed: bool) -> CellSettings:
    """Return settings with what the ledger holds.

    Parameters
    ----------
    settings : CellSettings
        From the configuration.
    found : InForce
        From the ledger.
    fixed : bool
        The configuration fixes the calibration; the ledger's is then not used.
    """
    settings = replace(settings, electrode=found.electrode, meter=found.meter)
    if found.calibration is not None and not fixed:
        settings = with_calibration(settings, found.calibration)
    settings = replace(
        settings, failed_check_id=None if found.failed_check is None else found.failed_check["id"]
    )
    if found.low_ionic is None:
        return settings
    bias, read_by, line_u_ph = found.low_ionic["low_ionic"], found.low_ionic["calibration_id"], 0.0
    if read_by != settings.calibration_id:
        line_u_ph = line_error_at(found.low_ionic, found.checked_with if read_by else None)
    return replace(
        settings,
        low_ionic=LowIonicCheck(
            bias_ph=bias["bias_ph"],
            standard_uncertainty_ph=bias["standard_uncertainty_ph"],
            lowest_conductivity_us_cm=bias["lowest_conductivity_us_cm"],
            highest_conductivity_us_cm=bias["highest_conductivity_us_cm"],
            line_standard_uncertainty_ph=line_u_ph,
        ),
        low_ionic_id=found.low_ionic["id"],
        low_ionic_at=found.low_ionic["at"],
    )


def results_since(journal: Journal, cell: str, since: str | None, until: str) -> Sequence[str]:
    """Return the ids of the results (accepted or qualified) that ended in a span of time.

    Parameters
    ----------
    journal : Journal
        The ledger's.
    cell : str
        Name of the cell.
    since : str or None
        RFC 3339 UTC; None from the beginning.
    until : str
        RFC 3339 UTC.
    """
    from_ms, to_ms = 0 if since is None else utc_ms(since), utc_ms(until) + 1
    bodies = (record.body() for record in journal.of_span(cell, "determination", from_ms, to_ms))
    return [body["id"] for body in bodies if body["verdict"] in ("accepted", "qualified")]
