"""Which buffer stands under the electrode: an answer when only one fits, a question otherwise.

A potential is compared with what a known line predicts for each buffer on offer at the temperature
measured. A buffer fits when the prediction is within a stated number of millivolts. Two that fit
are both named; choosing is then for the person at the bench.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from quietcell.core.electrode.buffers import Buffer
from quietcell.core.electrode.domain import POTENTIAL_RANGE_MV, TEMPERATURE_RANGE_C, number
from quietcell.core.electrode.nernst import Line
from quietcell.errors import DomainError

NOMINAL_LINE = Line(slope_pct=100.0, zero_mv=0.0)
"""Theory, for an electrode nobody has calibrated yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognition:
    """Buffers that explain a potential.

    Parameters
    ----------
    fits : tuple of Buffer
        Those within reach, nearest first.
    distances_mv : tuple of float
        Measured minus predicted potential of each, mV.
    """

    fits: tuple[Buffer, ...]
    distances_mv: tuple[float, ...]

    @property
    def buffer(self) -> Buffer | None:
        """The buffer when exactly one fits, else None."""
        return self.fits[0] if len(self.fits) == 1 else None

    @property
    def question(self) -> str:
        """What to ask the person at the bench; empty when exactly one buffer fits."""
        if len(self.fits) == 1:
            return ""
        if not self.fits:
            return (
                "No buffer on offer explains this potential. Which buffer is it, and is the electrode in it?"
            )
        choices = " or ".join(
            f"{one.name} ({one.buffer_set}, {away:+.1f} mV away)"
            for one, away in zip(self.fits, self.distances_mv, strict=True)
        )
        return f"{len(self.fits)} buffers explain this potential. Which one is it: {choices}?"


def recognise(
    mv: float,
    temperature_c: float,
    on_offer: Sequence[Buffer],
    *,
    within_mv: float,
    line: Line = NOMINAL_LINE,
) -> Recognition:
    """Name the buffers whose expected potential is within `within_mv` of the one measured.

    Parameters
    ----------
    mv : float
        Potential at rest, mV.
    temperature_c : float
        Temperature of the buffer, °C.
    on_offer : sequence of Buffer
        Bottles that may have been used. One whose table does not reach the temperature cannot fit.
    within_mv : float
        Largest distance between measured and expected potential, mV, above 0. An uncalibrated
        electrode needs its largest zero and slope error here; one calibrated yesterday a few mV.
    line : Line
        Expectation: the last calibration, or theory.

    Returns
    -------
    Recognition
        `buffer` when exactly one fits, else a `question`.

    Raises
    ------
    DomainError
        A number out of range, or no buffer on offer.

    Examples
    --------
    >>> from quietcell.core.electrode.buffers import buffer
    >>> shelf = [buffer("iupac-2002", name) for name in ("phthalate", "phosphate", "borax")]
    >>> recognise(171.0, 25.0, shelf, within_mv=30.0).buffer.name
    'phthalate'
    >>> shelf.append(buffer("iupac-2002", "citrate"))
    >>> [one.name for one in recognise(182.0, 25.0, shelf, within_mv=30.0).fits]
    ['phthalate', 'citrate']
    """
    number("mv", mv, "mV", POTENTIAL_RANGE_MV)
    number("temperature_c", temperature_c, "°C", TEMPERATURE_RANGE_C)
    number("within_mv", within_mv, "mV", (1e-6, 1000.0))
    if not on_offer:
        raise DomainError(
            "no buffer is on offer", subject="on_offer", hint="Name the bottles that may have been used"
        )
    found: list[tuple[float, Buffer]] = []
    for candidate in on_offer:
        low = candidate.temperatures_c[0] - candidate.beyond_c
        high = candidate.temperatures_c[-1] + candidate.beyond_c
        if low <= temperature_c <= high:
            away = mv - line.mv(candidate.ph(temperature_c), temperature_c)
            if abs(away) <= within_mv:
                found.append((away, candidate))
    found.sort(key=lambda pair: abs(pair[0]))
    return Recognition(fits=tuple(one for _, one in found), distances_mv=tuple(away for away, _ in found))
