"""What to do next with each donor and each group of the programme, for every view of the result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from dhverify.outcome import CheckOutcome

_CALM_BEGINNINGS: Final = (
    "Nothing to change",
    "No worse than the other donors",
    "No other donor to compare with",
    "Nothing can be said of this donor",
    "Too few lines to tell",
    "No line of this donor",
)
"""How the advice begins for a donor that asks for no action."""


@dataclass(frozen=True, kw_only=True)
class DonorAdvice:
    """What to do next with one donor."""

    donor: str
    text: str

    @property
    def is_urgent(self) -> bool:
        """Whether it asks for something to be done."""
        return not self.text.startswith(_CALM_BEGINNINGS)

    @property
    def sentence(self) -> str:
        """The advice with the donor's name before it."""
        return f"Donor {self.donor}: {self.text}"


def donor_advice(outcome: CheckOutcome) -> tuple[DonorAdvice, ...]:
    """Return the advice of each donor once; those that ask for something to be done come first."""
    told = {row.donor: row.advice for row in outcome.donors if row.advice}
    found = [DonorAdvice(donor=donor, text=text) for donor, text in told.items()]
    return tuple(sorted(found, key=lambda one: not one.is_urgent))


def urgent_advice(outcome: CheckOutcome) -> tuple[str, ...]:
    """Return what stands out among donors and other groups, a sentence or two each."""
    donors = (one.sentence for one in donor_advice(outcome) if one.is_urgent)
    return (*donors, *outcome.group_advice)
