"""Which criterion counts for what is being measured."""

from dataclasses import replace

from quietcell.core.endpoint.criterion import Criterion
from quietcell.core.inputs import ReferenceRequest
from quietcell.core.records import GrabSample
from quietcell.core.settings import CellSettings


def criterion_for(
    settings: CellSettings, reference: ReferenceRequest | None = None, grab: GrabSample | None = None
) -> tuple[str, Criterion]:
    """Return name and numbers that count.

    Parameters
    ----------
    settings : CellSettings
        The cell.
    reference : ReferenceRequest, optional
        A known solution, or a flow of a flow test.
    grab : GrabSample, optional
        A sample someone brought.

    Notes
    -----
    Buffers have a criterion of their own. In a beaker nothing flows, so the band of flows does not count;
    a flow test leaves it on purpose, and has no time for the long window: its four flows must lie close
    together.
    """
    purpose = None if reference is None else reference.purpose
    if purpose in ("calibration", "check"):
        return settings.buffer_criterion_name, settings.buffer_criterion
    own = settings.criterion
    if purpose == "flow-test":
        own = replace(own, long_window_s=None)
    if purpose == "flow-test" or grab is not None:
        own = replace(own, flow_low_ml_min=None, flow_high_ml_min=None, max_flow_change_pct=None)
    return settings.criterion_name, own
