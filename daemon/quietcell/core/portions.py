"""Successive portions of one sample whose values must agree before one of them counts."""

from dataclasses import dataclass, field

from quietcell.core.endpoint.criterion import Criterion


@dataclass(slots=True, kw_only=True)
class Portions:
    """The last portions that came to rest, one a determination."""

    sample_id: str | None = None
    """Whose they are."""
    ph: list[float] = field(default_factory=list)
    """Oldest first."""

    def add(self, ph: float, sample_id: str | None, criterion: Criterion) -> bool:
        """Take in the value of a portion; return whether as many as the criterion asks for now agree."""
        if sample_id != self.sample_id:
            self.sample_id, self.ph = sample_id, []
        self.ph = [*self.ph, ph][-criterion.agreeing_portions :]
        spread = max(self.ph) - min(self.ph)
        return len(self.ph) >= criterion.agreeing_portions and spread <= criterion.agreeing_within_ph

    def broken(self) -> None:
        """Begin anew: a portion in between gave no value, so the next does not follow on the last."""
        self.ph = []
