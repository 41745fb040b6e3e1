"""The command `flow-test`: what the cell read at three flows and back, judged, kept, and told the engine."""

import math
from typing import Annotated

from pydantic import Field

from quietcell.config.fields import Text
from quietcell.core.bench_records import FlowStepEntry, FlowTestBody
from quietcell.core.ingress.event import IngressSettings
from quietcell.core.ingress.flow_test import FlowFinding, FlowStep, judge_flow_test
from quietcell.core.inputs import FlowTested
from quietcell.core.records import Json
from quietcell.core.settings import CellSettings
from quietcell.errors import CommandError, DomainError
from quietcell.ledger.ledger import Ledger
from quietcell.service.attendance import Attendances, AttendedArguments
from quietcell.service.commands import Commands, LongText, checked
from quietcell.service.records import DaemonIds

STEPS = 4
LEAST_PH_U = 0.01
"""Standard uncertainty of a pH at rest from step to step, at least (common practice, no source)."""


class FlowTestArguments(AttendedArguments):
    """Judges what was measured at three flows and back."""

    measurements: Annotated[list[Text], Field(min_length=STEPS, max_length=STEPS)] = Field(
        description="Ids of the reference measurements: three flows, then the first again."
    )
    flows_ml_min: Annotated[list[float | None], Field(max_length=STEPS)] = Field(
        default=[], description="Flows by other means, mL/min, where the cell does not measure its flow."
    )
    comment: LongText | None = None


class FlowTesting:
    """Judges flow tests.

    Parameters
    ----------
    attendances : Attendances
        Who works at the cells.
    ledger : Ledger
        Keeps flow tests.
    ids : DaemonIds
        For their records.
    """

    def __init__(self, attendances: Attendances, ledger: Ledger, ids: DaemonIds) -> None:
        self._attendances = attendances
        self._ledger = ledger
        self._ids = ids

    def commands(self) -> Commands:
        """Return the command functions by name."""
        return {"flow-test": self.flow_test}

    async def flow_test(self, request: dict[str, Json]) -> dict[str, Json]:
        """Judge a flow test and place what is open of carbon dioxide by it.

        Returns
        -------
        dict
            ``body`` of the test's record, ``episodes`` (bodies of those it has placed).

        Raises
        ------
        CommandError
            If an argument is wrong, or the flows are none of a test.
        """
        asked = checked(FlowTestArguments, request)
        task = self._attendances.attending(asked)
        settings = task.settings
        entries = [
            _entry(await self._measured(asked.cell, name), flow, settings)
            for name, flow in zip(asked.measurements, [*asked.flows_ml_min, *[None] * STEPS], strict=False)
        ]
        try:
            steps = [
                FlowStep(
                    flow_ml_min=one.flow_ml_min,
                    ph=one.ph,
                    temperature_c=one.temperature_c,
                    conductivity_us_cm=one.conductivity_us_cm,
                    ph_u=one.standard_uncertainty_ph,
                )
                for one in entries
            ]
            found = judge_flow_test(steps, IngressSettings.of(settings))
        except DomainError as error:
            raise CommandError(error.message, subject=error.subject, hint=error.hint) from error

        def make(segment: int, ms: int, at: str) -> tuple[FlowTested, FlowTestBody]:
            body = _body(found, entries, settings, asked, identity=(self._ids.next(), at, segment, ms))
            return FlowTested(ms=ms, id=body.id, verdict=body.verdict), body

        stored, *made = await task.give(make)
        bodies = [record.body() for record in made]
        return {"body": stored.body(), "episodes": [b for b in bodies if b["record"] == "episode"]}

    async def _measured(self, cell: str, name: str) -> dict[str, Json]:
        stored = await self._ledger.run(lambda: self._ledger.journal.with_id(name))
        body = None if stored is None else stored.body()
        if (
            body is None
            or (body["record"], body["cell"]) != ("reference-measurement", cell)
            or body["purpose"] != "flow-test"
        ):
            raise CommandError(f"no measurement {name!r} of a flow test of {cell}", subject="measurements")
        return body


def _entry(body: dict[str, Json], flow_ml_min: float | None, settings: CellSettings) -> FlowStepEntry:
    """Return the step a measurement makes."""
    flow = body["flow_ml_min"] if flow_ml_min is None else flow_ml_min
    if flow is None:
        raise CommandError(
            "the cell does not measure its flow", hint="Give flows_ml_min, by cylinder and stopwatch"
        )
    if body["verdict"] != "accepted" or body["ph"] is None or body["temperature_c"] is None:
        raise CommandError(f"{body['id']} did not come to rest", hint="Measure that flow again")
    own_ph = (body["mv_standard_uncertainty"] or 0.0) / abs(settings.mv_per_ph(body["temperature_c"]))
    return FlowStepEntry(
        measurement=body["id"],
        flow_ml_min=flow,
        ph=body["ph"],
        standard_uncertainty_ph=min(math.hypot(LEAST_PH_U, own_ph), 1.0),
        conductivity_us_cm=body["conductivity_us_cm"],
        temperature_c=body["temperature_c"],
    )


def _body(
    found: FlowFinding,
    entries: list[FlowStepEntry],
    settings: CellSettings,
    asked: FlowTestArguments,
    *,
    identity: tuple[str, str, int, int],
) -> FlowTestBody:
    body_id, at, segment, ms = identity
    smallest = found.smallest_co2_ug_per_l
    return FlowTestBody(
        id=body_id,
        cell=settings.cell,
        at=at,
        segment=segment,
        ms=ms,
        operator=asked.operator,
        electrode=settings.electrode,
        meter=settings.meter,
        calibration_id=settings.calibration_id,
        verdict=found.verdict,
        steps=tuple(entries),
        log_evidence=found.log_evidence,
        co2_ug_per_l=found.co2_ug_per_l,
        smallest_co2_ug_per_l=smallest if math.isfinite(smallest) else None,
        text=found.text,
        comment=asked.comment,
    )
