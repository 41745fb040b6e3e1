"""Quantities that come in lines of their own, put together to readings. Pure."""

from quietcell_drivers.plain_lines import Values


class Carrying:
    """Holds what the lines without a potential said, for a limited time.

    A line with mV is a reading; what it lacks is what the last lines said of it. Flags stand for the
    line that has them: a line with one carries nothing on, and what was held is given up, for which of
    it the meter doubts is not known.

    Parameters
    ----------
    longest_ms : int
        How long after its line a value may be used, ms.
    """

    def __init__(self, longest_ms: int) -> None:
        self._longest_ms = longest_ms
        self._held: list[tuple[float, int] | None] = [None] * 4

    def together(self, values: Values, boot_ms: int) -> Values | None:
        """Take a line and return the reading it makes; None where it only says what later ones go by."""
        *quantities, flags = values
        if flags and quantities[0] is None:
            self._held = [None] * 4
            return None
        for place, value in enumerate(quantities):
            if value is not None and place and not flags:
                self._held[place] = (value, boot_ms)
        if quantities[0] is None:
            return None
        mv, temperature_c, conductivity_us_cm, flow_ml_min = (
            self._carried(place, boot_ms) if value is None else value
            for place, value in enumerate(quantities)
        )
        return mv, temperature_c, conductivity_us_cm, flow_ml_min, flags

    def _carried(self, place: int, boot_ms: int) -> float | None:
        held = self._held[place]
        return held[0] if held is not None and boot_ms - held[1] <= self._longest_ms else None
