"""Draws figures as SVG: shapes, line styles and hatches tell things apart, never colour alone."""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import tzinfo
from io import StringIO
from typing import TYPE_CHECKING, Any

from quietcell.collector import at_rest
from quietcell.core.times import DAY_MS
from quietcell.errors import QuietcellError
from quietcell.report.material import Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MID, LIGHT, MARK = "#1b1f23", "#5f6873", "#d5dae0", "#0b5560"
WIDTH_IN = 5.2
"""Narrow, so that the writing stays readable on a phone; a page shows it larger."""
_LEFT, _RIGHT = 0.14, 0.965
_BOTTOM_IN, _LEGEND_LINE_IN = 0.56, 0.165
STYLE: Any = {
    "font.size": 9.5,
    "font.family": "DejaVu Sans",
    "axes.edgecolor": MID,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.titlesize": 9.5,
    "axes.titley": 1.0,  # given, it need not be worked out anew for each figure
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.5,
    "hatch.color": MID,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "svg.fonttype": "path",
    "svg.hashsalt": "quietcell",
    "path.simplify": True,
}


class Pen:
    """Lays out, labels and writes figures; made once, for the library takes a while to load.

    Parameters
    ----------
    zone : tzinfo
        Of the time axes.

    Raises
    ------
    QuietcellError
        If the library is not installed.
    """

    def __init__(self, zone: tzinfo) -> None:
        try:
            with at_rest():
                import matplotlib as mpl  # noqa: PLC0415 # an extra; seconds to import
                from matplotlib import dates, figure  # noqa: PLC0415 # same
        except ImportError as error:
            raise QuietcellError(
                "a report with figures needs matplotlib",
                hint='Install it: pip install "quietcell[report]"; --json works without',
            ) from error
        self._mpl, self._dates, self._figure = mpl, dates, figure.Figure
        self.zone = zone

    def style(self) -> AbstractContextManager[None]:
        """Return the context to draw in."""
        return self._mpl.rc_context(STYLE)

    def axes(self, number: int, *, share_x: bool = True) -> "tuple[Figure, list[Axes]]":
        """Return a figure with axes below each other; `written` gives them their places."""
        drawn = self._figure()
        axes: list[Axes] = []
        for index in range(number):
            place = (_LEFT, 0.1, _RIGHT - _LEFT, 0.8 - 0.01 * index)
            axes.append(drawn.add_axes(place, sharex=axes[0] if share_x and axes else None))
        for each in axes:
            each.spines[["top", "right"]].set_visible(False)
            each.grid(axis="y", color=LIGHT, linewidth=0.5)
            each.set_axisbelow(True)
        return drawn, axes

    def label(self, axes: "Axes", text: str) -> None:
        """Name what the height means: above, where figures of any length leave it room."""
        axes.set_title(text, loc="left", pad=4)

    def time_axis(self, axes: "Sequence[Axes]", span: Span) -> None:
        """Make the lowest of some axes tell the time for all of them."""
        locator: Any = self._dates.AutoDateLocator(tz=self.zone, minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
        form: Any = self._dates.ConciseDateFormatter(locator, tz=self.zone)  # type: ignore[no-untyped-call]
        last = axes[-1]
        last.xaxis.set_major_locator(locator)
        last.xaxis.set_major_formatter(form)
        last.set_xlim(span.from_ms / DAY_MS, span.to_ms / DAY_MS)
        last.set_xlabel(f"time, {self.zone}", labelpad=2)
        for each in axes[:-1]:
            each.tick_params(labelbottom=False)

    def written(
        self, figure: "Figure", axes: "Sequence[Axes]", heights_in: Sequence[float], *, left: float = _LEFT
    ) -> str:
        """Return the figure as SVG, with as much room on top as its legend takes.

        Parameters
        ----------
        figure, axes : Figure, sequence of Axes
            As `axes` gave them, drawn on.
        heights_in : sequence of float
            Of the axes, inches.
        left : float
            Where the axes begin, as a share of the width.
        """
        known: dict[str, Any] = {}
        for each in axes:
            for handle, label in zip(*each.get_legend_handles_labels(), strict=True):
                known.setdefault(label, handle)
        lines = -(-len(known) // 2)
        gap_in, top_in = 0.3, _LEGEND_LINE_IN * lines + 0.38
        height_in = sum(heights_in) + gap_in * (len(heights_in) - 1) + top_in + _BOTTOM_IN
        figure.set_size_inches(WIDTH_IN, height_in)
        upper = height_in - top_in
        for each, height in zip(axes, heights_in, strict=True):
            each.set_position((left, (upper - height) / height_in, _RIGHT - left, height / height_in))
            upper -= height + gap_in
        figure.legend(
            known.values(), known.keys(), loc="upper left", ncols=2, bbox_to_anchor=(0.01, 1.0),
            columnspacing=1.2, handlelength=1.8, labelspacing=0.3, borderaxespad=0.2,
        )  # fmt: skip
        file = StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
        return file.getvalue()
