"""A change of the water that is being watched until a cause leads clearly."""

from dataclasses import dataclass, replace

from quietcell.core.ingress.baseline import Level, Spread, jsonable, numbers
from quietcell.core.ingress.evidence import Paths
from quietcell.core.records import Json


@dataclass(slots=True, kw_only=True)
class Candidate:
    """A change that is being watched."""

    before: Level
    spread: Spread
    began_ms: int
    started_ms: int
    favourite: str = ""
    looks: int = 0
    """In a row with this favourite."""
    quiet: int = 0
    """Blocks in a row that found the change undone."""
    way: Paths | None = None
    """Found when first needed."""

    def moved(self, ms: int) -> "Candidate":
        """Return the candidate on the time of a segment whose zero lies `ms` later."""
        return replace(self, began_ms=self.began_ms - ms, started_ms=self.started_ms - ms)

    def as_json(self) -> dict[str, Json]:
        """Return the candidate as JSON values; its paths are found again."""
        return {
            "before": jsonable(self.before),
            "spread": list(self.spread),
            "began_ms": self.began_ms,
            "started_ms": self.started_ms,
            "favourite": self.favourite,
            "looks": self.looks,
            "quiet": self.quiet,
        }

    @classmethod
    def from_json(cls, plain: dict[str, Json]) -> "Candidate":
        """Rebuild a candidate from what `as_json` gave."""
        before, spread = Level(*numbers(plain["before"])), Spread(*plain["spread"])
        return cls(**{**plain, "before": before, "spread": spread})
